// The UDP sockets of one stream: a pair of ports for RTP and RTCP, drained in batches, every packet with
// the kernel's receive time (SO_TIMESTAMPNS), so that few wake-ups cost no exactness.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"
#include "probes/wire/octets.hpp"

#include <cstdint>
#include <functional>
#include <string>

namespace tallywire::stream {

class MediaSockets {
 public:
  MediaSockets() = default;
  ~MediaSockets();
  MediaSockets(const MediaSockets&) = delete;
  MediaSockets& operator=(const MediaSockets&) = delete;

  // An even port and the next one (RFC 3550 §11) on the address that leads to the unit.
  Outcome<void> open_unicast(const std::string& own_address);
  // The group's own ports, joined on the interface with this address.
  Outcome<void> open_multicast(const std::string& group, int rtp_port, int rtcp_port,
                               const std::string& own_address);
  int rtp_port() const { return rtp_port_; }

  using OnPacket = std::function<void(wire::Octets packet, SystemTime when)>;
  // Takes all that has arrived. `from` filters the sender's address; empty: any.
  void drain_rtp(const std::string& from, const OnPacket& on_packet) { drain(rtp_, from, on_packet); }
  void drain_rtcp(const std::string& from, const OnPacket& on_packet) { drain(rtcp_, from, on_packet); }
  void send_rtcp(const std::string& to, int port, const std::vector<std::uint8_t>& packet);
  // Packets that this machine had no room for (SO_RXQ_OVFL): ours, never the network's.
  std::uint32_t overrun() const { return overrun_; }

 private:
  void drain(int socket, const std::string& from, const OnPacket& on_packet);
  int rtp_ = -1;
  int rtcp_ = -1;
  int rtp_port_ = 0;
  std::uint32_t overrun_ = 0;
};

}  // namespace tallywire::stream
