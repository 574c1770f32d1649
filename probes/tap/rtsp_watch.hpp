// Follows an RTSP conversation from outside (RFC 2326, RFC 7826): requests and answers in, what they set up out. It never
// sees more than the wire shows: a session whose description went by before the tap began has media without formats.
// Passwords in URLs are dropped, Authorization headers are not looked at. No I/O; one thread at a time.
#pragma once

#include "probes/tap/announcements.hpp"
#include "probes/wire/rtsp_message.hpp"
#include "probes/wire/sdp.hpp"

#include <array>
#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::tap {

class RtspWatch {
 public:
  // `client`, `server`: the addresses of the connection's ends; media that name no others go between them.
  void request(const wire::RtspMessage& message);
  void answer(const wire::RtspMessage& message, const wire::IpAddress& client, const wire::IpAddress& server);

  // The medium whose RTP or RTCP comes on this channel of the connection; none when nothing has set it up.
  std::shared_ptr<const AnnouncedMedium> on_channel(std::uint8_t channel) const { return channels_[channel]; }
  bool has_channels() const { return has_channels_; }
  // Media that were set up by UDP since the last call.
  std::vector<Announcement> take_announcements();
  // What is known of any session of this connection; for media that are on no known channel.
  std::shared_ptr<const AnnouncedMedium> any_session() const;

 private:
  struct Asked {
    std::string sequence, method, target, transport;
  };
  struct Medium {
    std::string control;  // its URL
    wire::SdpMedia description;
  };
  static constexpr std::size_t most_asked = 64, most_media = 64;

  void take_description(const wire::RtspMessage& message, const std::string& target);
  void take_setup(const wire::RtspMessage& message, const Asked& asked, const wire::IpAddress& client, const wire::IpAddress& server);
  const Medium* medium_at(const std::string& url) const;
  std::shared_ptr<AnnouncedMedium> announced(const Medium* medium, const std::string& target) const;

  std::vector<Asked> asked_;
  std::string url_, unit_;
  std::vector<Medium> media_;
  std::size_t set_up_ = 0;  // since the description
  std::array<std::shared_ptr<const AnnouncedMedium>, 256> channels_{};
  bool has_channels_ = false;
  std::vector<Announcement> fresh_;
};

}  // namespace tallywire::tap
