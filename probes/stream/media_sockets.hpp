// The UDP sockets of one track: a pair of ports for RTP and RTCP, drained in batches, every packet with the kernel's
// receive time (SO_TIMESTAMPNS), so that few wake-ups cost no exactness. No reactor watches them.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"
#include "probes/wire/octets.hpp"

#include <cstdint>
#include <functional>
#include <string>
#include <vector>

#include <sys/socket.h>

namespace tallywire::stream {

struct MulticastPlace {
  std::string group;   // IPv4 or IPv6
  std::string source;  // empty: from anybody (any-source multicast)
  int rtp_port = 0;
  int rtcp_port = 0;
  int ttl = 1;         // of our receiver reports
};

class MediaSockets {
 public:
  MediaSockets() = default;
  ~MediaSockets();
  MediaSockets(const MediaSockets&) = delete;
  MediaSockets& operator=(const MediaSockets&) = delete;

  // An even port and the next one (RFC 3550 §11) on the address that leads to the unit, for packets of the unit alone.
  Outcome<void> open_unicast(const std::string& own_address, const std::string& unit_address);
  // The group's own ports, joined on the interface with our address (RFC 3678).
  Outcome<void> open_multicast(const MulticastPlace& place, const std::string& own_address);
  int rtp_port() const { return rtp_port_; }
  int rtcp_port() const { return rtcp_port_; }

  int rtp_descriptor() const { return rtp_; }
  int rtcp_descriptor() const { return rtcp_; }

  using OnPacket = std::function<void(wire::Octets packet, SystemTime when)>;
  // Takes all that has arrived, at most some 4000 packets.
  void drain_rtp(const OnPacket& on_packet) { drain(rtp_, on_packet); }
  void drain_rtcp(const OnPacket& on_packet) { drain(rtcp_, on_packet); }
  // To the unit's port; in multicast to the group's.
  void send_rtcp(int port, const std::vector<std::uint8_t>& packet);
  // Packets that this machine had no room for (SO_RXQ_OVFL): ours, never the network's.
  std::uint32_t overrun() const { return overrun_; }

 private:
  void drain(int socket, const OnPacket& on_packet);
  bool is_from_peer(const sockaddr_storage& sender) const;

  int rtp_ = -1;
  int rtcp_ = -1;
  int rtp_port_ = 0;
  int rtcp_port_ = 0;
  bool any_sender_ = false;
  sockaddr_storage peer_{};  // who sends; in multicast the group
  sockaddr_storage sender_{};
  std::uint32_t overrun_ = 0;
};

}  // namespace tallywire::stream
