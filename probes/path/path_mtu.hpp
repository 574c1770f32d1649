// The largest IP packet that the path carries unfragmented (RFC 1191, RFC 8201; found by probes that the other end acknowledges, as
// RFC 8899 does, so that routers that say nothing are noticed). Blocking, a few seconds at most where probes are lost.
#pragma once

#include "probes/path/udp_socket.hpp"

#include <atomic>
#include <cstddef>
#include <functional>
#include <optional>

namespace tallywire::path {

struct PathMtu {
  std::size_t bytes = 0;         // 0: not even the least came through
  std::size_t interface_bytes = 0;
  bool told = false;             // a router said so by ICMP
  // Packets are lost to a smaller link on the way and nobody says so: what relies on being told stalls.
  bool black_hole() const { return bytes > 0 && interface_bytes > bytes && !told; }
};

// What a probe of `bytes` met. `told_bytes`: the MTU that the kernel was told of meanwhile, 0 when none.
struct ProbeOutcome {
  bool heard = false;
  std::size_t told_bytes = 0;
};
// The search without I/O: `probe` sends one size, as often as it takes to be sure. `least` is believed only when heard.
PathMtu search_path_mtu(std::size_t least, std::size_t interface_bytes, const std::function<ProbeOutcome(std::size_t)>& probe);

// Over a connected socket whose peer answers probes. `round_trip`: how long an answer takes, for the wait.
PathMtu find_path_mtu(UdpSocket& socket, const UdpToken& token, std::chrono::milliseconds round_trip, const std::atomic<bool>& stop);

// Says hello until it is heard; the round trip of the one that was. None: nothing came back within 1.5 s.
std::optional<std::chrono::milliseconds> say_hello(UdpSocket& socket, const UdpToken& token, const std::atomic<bool>& stop);

}  // namespace tallywire::path
