// A UDP socket that measures: large buffers, kernel receive time stamps, never fragmented. Blocking calls with limits, for threads
// of their own. Not for two threads at once, but for the one that sends while another receives.
#pragma once

#include "probes/fault.hpp"
#include "probes/path/udp_packet.hpp"

#include <boost/asio/ip/udp.hpp>

#include <chrono>
#include <functional>
#include <optional>

namespace tallywire::path {

class UdpSocket {
 public:
  using Endpoint = boost::asio::ip::udp::endpoint;

  UdpSocket() = default;
  ~UdpSocket();
  UdpSocket(const UdpSocket&) = delete;
  UdpSocket& operator=(const UdpSocket&) = delete;

  // Bound to a free port of this machine's address.
  std::optional<Fault> open(const boost::asio::ip::address& here);
  // From here on only this peer is heard, and send() goes to it.
  std::optional<Fault> connect(const Endpoint& peer);
  std::uint16_t port() const;
  bool connected() const { return connected_; }
  int handle() const { return handle_; }
  bool is_v6() const { return v6_; }
  // Octets of IP and UDP header before the payload.
  std::size_t header_octets() const { return v6_ ? 48 : 28; }

  struct Arrival {
    wire::Octets octets;      // valid during the call
    Endpoint from;
    std::int64_t when_ns = 0; // the kernel's receive time stamp, CLOCK_REALTIME
  };
  // Waits up to `limit`, then hands over all that is there, up to 64. False: nothing came.
  bool receive(std::chrono::milliseconds limit, const std::function<void(const Arrival&)>& take);
  // Packets that this socket had no room for, since it was opened; counted by the kernel, told with the next arrival.
  std::uint32_t dropped() const { return dropped_; }

  // One packet whose IP packet is `packet_bytes` long. errno's value, 0: sent.
  int send(const UdpPacket& packet, const UdpToken& token, std::size_t packet_bytes);
  int send_to(const Endpoint& peer, const UdpPacket& packet, const UdpToken& token, std::size_t packet_bytes);
  // MTU of the interface that holds the address; 0: not told.
  std::size_t interface_mtu() const;
  // MTU of the route as the kernel believes it: less than the interface's once a router said so.
  std::size_t route_mtu() const;

 private:
  int handle_ = -1;
  bool v6_ = false, connected_ = false;
  std::uint32_t dropped_ = 0;
};

}  // namespace tallywire::path
