// A STAMP session in made-up time, through both of its real ends: what the path does to each packet is told by the test.
#pragma once

#include "probes/path/delay.hpp"

#include <algorithm>
#include <functional>
#include <optional>
#include <vector>

namespace tallywire::test {

inline constexpr std::int64_t ns_of_ms = 1'000'000;
inline constexpr std::int64_t made_begin_unix_ns = 1'767'323'045'500'000'000;

struct MadeSession {
  std::uint32_t packets = 250;
  std::int64_t interval_ns = 20 * ns_of_ms;
  double far_offset_ms = 0, far_skew_ppm = 0;  // the reflector's clock against ours
  std::int64_t inside_ns = 300'000;            // that the reflector takes
  bool stateful = true, is_tallywire = true, tells_count = true;
  wire::StampErrorEstimate far_estimate = wire::error_estimate_of(0.001, true);
  path::ClockQuality here{true, 0.5, ""};
  std::optional<path::ClockQuality> there = path::ClockQuality{true, 1.0, ""};
  std::int64_t clock_moved_ns = 0;
  std::int64_t far_set_at_packet = -1;         // the reflector's clock is set by 12 ms from this packet on
  // Delays of each copy of a packet, in ms; none: it is lost. By the number sent, or the reflector's.
  std::function<std::vector<double>(std::uint32_t)> to = [](std::uint32_t) { return std::vector<double>{2}; };
  std::function<std::vector<double>(std::uint32_t)> from = [](std::uint32_t) { return std::vector<double>{3}; };

  path::DelayInput run() const;
};

inline path::DelayInput MadeSession::run() const {
  struct Packet {
    std::int64_t at_ns;
    std::vector<std::uint8_t> octets;
    std::uint32_t number;
  };
  const auto sooner = [](const Packet& a, const Packet& b) { return a.at_ns < b.at_ns; };
  const auto of_ms = [](double ms) { return static_cast<std::int64_t>(ms * 1e6); };
  wire::StampLog log({wire::StampMode::unauthenticated, "", 7, 44, packets});
  wire::StampReflection reflection({wire::StampMode::unauthenticated, "", stateful, 7, packets});
  std::vector<Packet> out, back;
  for (std::uint32_t n = 0; n < packets; ++n) {
    const auto at = made_begin_unix_ns + n * interval_ns;
    const auto octets = log.next(at, at, wire::error_estimate_of(here.uncertainty_ms / 1000, here.synchronised)).value();
    for (const double ms : to(n)) out.push_back({at + of_ms(ms), octets, n});
  }
  std::stable_sort(out.begin(), out.end(), sooner);
  std::uint32_t reflected = 0;
  for (const auto& p : out) {
    const auto far = [&](std::int64_t ns) {
      const double drift = far_skew_ppm * 1e-6 * static_cast<double>(ns - made_begin_unix_ns);
      const bool set = far_set_at_packet >= 0 && p.number >= far_set_at_packet;
      return ns + of_ms(far_offset_ms) + static_cast<std::int64_t>(drift) + (set ? 12 * ns_of_ms : 0);
    };
    const auto octets = reflection.answer(p.octets, far(p.at_ns), 253, far(p.at_ns + inside_ns), far_estimate).value();
    for (const double ms : from(reflected)) back.push_back({p.at_ns + inside_ns + of_ms(ms), octets, reflected});
    ++reflected;
  }
  std::stable_sort(back.begin(), back.end(), sooner);
  for (const auto& p : back) log.take(p.octets, p.at_ns, p.at_ns, 252);
  path::DelayInput in;
  in.sent = log.sent();
  in.arrivals = log.arrivals();
  in.ignored = log.ignored();
  in.is_tallywire = is_tallywire;
  if (tells_count) in.reflector = path::ReflectorCount{reflection.received_packets(), reflection.duplicate_packets(), reflection.reflected_packets(), 0, 0, {}};
  in.here = here;
  in.there = there;
  in.clock_moved_ns = clock_moved_ns;
  in.sending_s = static_cast<double>(packets * interval_ns) / 1e9;
  in.packets_per_s = 1e9 / static_cast<double>(interval_ns);
  in.packet_octets = 44;
  return in;
}

}  // namespace tallywire::test
