#include "probes/path/path_mtu.hpp"

#include <algorithm>
#include <cmath>

namespace tallywire::path {
namespace {

using Clock = std::chrono::steady_clock;
using namespace std::chrono_literals;

constexpr std::size_t least_v4 = 576, least_v6 = 1280;  // RFC 1122 §3.3.2 (what every host takes); RFC 8200 §5
constexpr int tries = 3;
constexpr auto least_wait = 60ms, most_wait = 1000ms;
constexpr auto hello_limit = 1500ms;

// True once the answer to this trial and sequence came.
bool wait_for_answer(UdpSocket& socket, const UdpToken& token, const UdpPacket& asked, Clock::time_point until) {
  bool heard = false;
  const std::function<void(const UdpSocket::Arrival&)> take = [&](const UdpSocket::Arrival& arrival) {
    const auto packet = decode_udp_packet(arrival.octets, token);
    if (packet && packet->kind == UdpKind::heard && packet->trial == asked.trial && packet->sequence == asked.sequence) heard = true;
  };
  for (auto now = Clock::now(); now < until && !heard; now = Clock::now())
    socket.receive(std::chrono::ceil<std::chrono::milliseconds>(until - now), take);
  return heard;
}

}  // namespace

PathMtu search_path_mtu(std::size_t least, std::size_t interface_bytes, const std::function<ProbeOutcome(std::size_t)>& probe) {
  PathMtu out;
  out.interface_bytes = interface_bytes;
  std::size_t above = interface_bytes + 1;  // the least that does not come through
  std::size_t next = interface_bytes, told = 0;
  while (above - out.bytes > 1) {
    const auto met = probe(next);
    if (met.heard)
      out.bytes = std::max(out.bytes, next);
    else
      above = std::min(above, next);
    if (met.heard && next == told) break;
    if (next == least && !met.heard) break;
    // A router's word is tried, and no more than tried.
    if (met.told_bytes > out.bytes && met.told_bytes >= least && met.told_bytes < above)
      next = told = met.told_bytes;
    else
      next = out.bytes == 0 ? least : out.bytes + (above - out.bytes) / 2;
  }
  out.told = told > 0 && out.bytes == told;
  return out;
}

PathMtu find_path_mtu(UdpSocket& socket, const UdpToken& token, std::chrono::milliseconds round_trip, const std::atomic<bool>& stop) {
  const std::size_t least = socket.is_v6() ? least_v6 : least_v4;
  const auto interface = socket.interface_mtu();
  const auto wait = std::clamp<std::chrono::milliseconds>(3 * round_trip, least_wait, most_wait);
  std::uint32_t sequence = 0;
  const std::function<ProbeOutcome(std::size_t)> probe = [&](std::size_t bytes) {
    ProbeOutcome out;
    const auto route_before = socket.route_mtu();
    for (int i = 0; i < tries && !out.heard && !stop; ++i) {
      UdpPacket packet;
      packet.kind = UdpKind::probe;
      packet.sequence = sequence++;
      if (socket.send(packet, token, bytes) == EMSGSIZE) break;  // the interface itself is smaller
      out.heard = wait_for_answer(socket, token, packet, Clock::now() + wait);
      const auto route = socket.route_mtu();
      if (route > 0 && route < bytes) out.told_bytes = route;
      if (out.told_bytes > 0 && route != route_before) break;
    }
    return out;
  };
  return search_path_mtu(std::min(least, std::max<std::size_t>(interface, 1)), interface, probe);
}

std::optional<std::chrono::milliseconds> say_hello(UdpSocket& socket, const UdpToken& token, const std::atomic<bool>& stop) {
  const auto limit = Clock::now() + hello_limit;
  UdpPacket packet;
  for (auto wait = 50ms; Clock::now() < limit && !stop; wait *= 2) {
    const auto asked = Clock::now();
    socket.send(packet, token, 0);
    if (wait_for_answer(socket, token, packet, std::min(limit, asked + wait)))
      return std::chrono::ceil<std::chrono::milliseconds>(Clock::now() - asked);
    ++packet.sequence;
  }
  return std::nullopt;
}

}  // namespace tallywire::path
