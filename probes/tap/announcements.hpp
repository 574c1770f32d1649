// What RTSP sessions on the wire said of the media that they set up: where it will come, what it is, whose it is. Shared
// by the threads of a live tap, since a session and its media may come by different ones. Any thread.
#pragma once

#include "probes/stream/meter_settings.hpp"
#include "probes/wire/datagram.hpp"

#include <atomic>
#include <cstdint>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::tap {

// A medium of an RTSP session.
struct AnnouncedMedium {
  std::string url;    // of the session as the client asked for it, without user and password; may be empty
  std::string unit;   // as the server names itself; may be empty
  std::vector<std::pair<int, stream::MeterSettings>> formats;  // by payload type; none when the description was not seen
  bool encrypted = false;  // SRTP (RFC 3711): headers are in the open, payloads are not

  // What this payload type means: of the description, else of RFC 3551; none when neither tells.
  std::optional<stream::MeterSettings> settings(int payload_type) const;
};

// Where such a medium comes by UDP.
struct Announcement {
  wire::IpAddress destination;
  std::uint16_t port_rtp = 0;
  std::optional<wire::IpAddress> source;  // none: not told (multicast)
  std::shared_ptr<const AnnouncedMedium> medium;
};

class Announcements {
 public:
  static constexpr std::size_t most = 65536;

  // A later one for the same place takes its stead.
  void tell(Announcement announcement);
  // Who announced this flow's destination, if its source fits.
  std::shared_ptr<const AnnouncedMedium> find(const wire::Flow& flow) const;
  // Grows with each tell().
  std::uint64_t version() const { return version_.load(std::memory_order_acquire); }

 private:
  using Place = std::pair<std::array<std::uint8_t, 16>, std::uint16_t>;
  mutable std::mutex mutex_;
  std::map<Place, Announcement> by_place_;
  std::atomic<std::uint64_t> version_{0};
};

}  // namespace tallywire::tap
