#include "probes/path/rehearsal_plan.hpp"

#include "probes/path/rehearsal_packets.hpp"
#include "probes/stream/meter_settings.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <random>

namespace tallywire::path {
namespace {

constexpr double window_s = wire_window_ms / 1000.0;
constexpr double slot_s = 0.001;
constexpr std::size_t least_frame_octets = 64;

std::optional<Fault> check(const MadeUpStream& s) {
  const auto wrong = [&](const char* what, const char* right) { return Fault{FaultKind::bad_request, what, s.name, right}; };
  if (!(s.frame_rate_hz > 0) || s.frame_rate_hz > 240) return wrong("the frame rate cannot be made up", "more than 0, at most 240 frames/s");
  if (s.gop_frames < 1 || s.gop_s() > 60) return wrong("the GOP cannot be made up", "1 frame or more, at most 60 s");
  if (!(s.payload_bps >= 10e3) || s.payload_bps > 1e9) return wrong("the bit rate cannot be made up", "10 kbit/s to 1 Gbit/s");
  if (!(s.key_ratio >= 1) || s.key_ratio > 100) return wrong("the ratio of key to difference frames cannot be made up", "1 to 100");
  if (!(s.link_bps >= 1e6) || s.link_bps > 400e9) return wrong("the unit's link speed is out of range", "1 Mbit/s to 400 Gbit/s");
  return std::nullopt;
}

// From 0 to 1. Not by a standard distribution: these differ from library to library, and a seed that was told must give the same plan.
double share_of(std::uint64_t random) { return static_cast<double>(random >> 11) / 9007199254740992.0; }

// SplitMix64 (Steele, Lea, Flood 2014): cheap enough to be drawn again for each frame.
std::uint64_t mixed(std::uint64_t word) {
  word += 0x9e3779b97f4a7c15;
  word = (word ^ word >> 30) * 0xbf58476d1ce4e5b9;
  word = (word ^ word >> 27) * 0x94d049bb133111eb;
  return word ^ word >> 31;
}

// Above or below the mean of its difference frames, which it leaves as it is: pairs around the middle of the GOP cancel.
double swing_of(const MadeUpStream& stream, int in_gop) {
  const int differences = stream.gop_frames - 1, place = in_gop - 1, mirror = differences - 1 - place;
  if (stream.constant || place == mirror) return 0;
  const auto noise = mixed(stream.seed + static_cast<std::uint64_t>(std::min(place, mirror)));
  const double swing = capped_swing_ratio * (2 * share_of(noise) - 1);
  return place < mirror ? swing : -swing;
}

double key_octets(const MadeUpStream& s) {
  const double gop = s.payload_bps / 8 * s.gop_s();
  return gop * s.key_ratio / (s.key_ratio + s.gop_frames - 1);
}

// Calls take(begin_s, burst_s, wire octets) of every frame of [0, seconds).
template <class Take>
void each_burst(const MadeUpStream& stream, double scale, double seconds, bool ipv6, Take&& take) {
  const auto sets = parameter_sets_of(stream.width_px, stream.height_px).size();
  std::vector<double> wire(static_cast<std::size_t>(stream.gop_frames), -1);
  for (std::uint64_t n = 0;; ++n) {
    const auto frame = frame_of(stream, n, scale);
    if (frame.at_s >= seconds) return;
    auto& octets = wire[static_cast<std::size_t>(frame.in_gop)];
    if (octets < 0) octets = wire_octets_of(frame, sets, ipv6);
    take(frame.at_s, octets * 8 / stream.link_bps, octets);
  }
}

// Spreads a burst over slots of 1 ms; what lies behind the last one is left out.
void spread(std::vector<double>& slots, double begin_s, double burst_s, double octets) {
  double at = begin_s;
  const double end = begin_s + burst_s;
  for (auto slot = static_cast<std::size_t>(begin_s / slot_s); slot < slots.size() && at < end; ++slot) {
    const double until = std::min(end, static_cast<double>(slot + 1) * slot_s);
    if (until > at) slots[slot] += octets * (until - at) / burst_s;
    at = std::max(at, until);
  }
}

}  // namespace

double RehearsalPlan::longest_gop_s() const {
  double longest = 0;
  for (const auto& s : streams) longest = std::max(longest, s.gop_s());
  return longest;
}

Outcome<RehearsalPlan> plan_rehearsal(std::vector<MadeUpStream> streams, RehearsalPhases phases, std::uint64_t seed) {
  if (streams.empty() || streams.size() > most_rehearsed_streams)
    return Fault{FaultKind::bad_request, "there is no such number of streams to make up", std::to_string(streams.size()),
                 "1 to " + std::to_string(most_rehearsed_streams)};
  std::mt19937_64 dice(seed);
  for (auto& s : streams) {
    if (auto fault = check(s)) return *fault;
    const double share = share_of(dice());
    s.seed = dice();
    s.phase_s = phases == RehearsalPhases::together ? 0 : share * s.gop_s();
  }
  RehearsalPlan out;
  out.streams = std::move(streams);
  out.phases = phases;
  out.seed = seed;
  return out;
}

MadeUpFrame frame_of(const MadeUpStream& stream, std::uint64_t number, double scale) {
  // So many frames lie before the first key frame.
  const auto before = static_cast<std::int64_t>(std::floor(stream.phase_s * stream.frame_rate_hz + 1e-9));
  const auto from_key = static_cast<std::int64_t>(number) - before;
  MadeUpFrame out;
  out.at_s = std::max(0.0, stream.phase_s + static_cast<double>(from_key) / stream.frame_rate_hz);
  out.in_gop = static_cast<int>((from_key % stream.gop_frames + stream.gop_frames) % stream.gop_frames);
  out.key = out.in_gop == 0;
  const double key = key_octets(stream);
  const double octets = scale * (out.key ? key : key / stream.key_ratio * (1 + swing_of(stream, out.in_gop)));
  out.octets = std::max(least_frame_octets + (out.key ? most_parameter_set_octets : 0), static_cast<std::size_t>(std::lround(octets)));
  return out;
}

// A last packet must hold its headers and its stamp: what would be too short takes some from the one before.
std::optional<FrameCut::Piece> FrameCut::next() {
  if (left_ == 0) return std::nullopt;
  Piece out;
  if (sets_ > 0) {
    out.octets = sets_;
    out.parameter_sets = true;
    sets_ = 0;
  } else {
    out.first = !begun_;
    begun_ = true;
    out.octets = std::min(left_, rehearsal_packet_octets);
    if (const auto rest = left_ - out.octets; rest > 0 && rest < least_frame_octets) out.octets -= least_frame_octets;
    out.last = out.octets == left_;
  }
  left_ -= out.octets;
  return out;
}

double rehearsal_wire_octets(std::size_t payload_octets, bool ipv6) {
  stream::Wrapping wrapping;
  wrapping.ipv6 = ipv6;
  return stream::wire_octets(payload_octets + rtp_header_octets, wrapping);
}

double wire_octets_of(const MadeUpFrame& frame, std::size_t parameter_set_octets, bool ipv6) {
  double octets = 0;
  FrameCut cut(frame, parameter_set_octets);
  while (const auto piece = cut.next()) octets += rehearsal_wire_octets(piece->octets, ipv6);
  return octets;
}

double mean_wire_bps(const MadeUpStream& stream, double scale, bool ipv6) {
  const auto sets = parameter_sets_of(stream.width_px, stream.height_px).size();
  double octets = 0;
  for (int n = 0; n < stream.gop_frames; ++n) octets += wire_octets_of(frame_of(stream, static_cast<std::uint64_t>(n), scale), sets, ipv6);
  return octets * 8 / stream.gop_s();
}

double mean_wire_bps(const RehearsalPlan& plan, double scale) {
  double bps = 0;
  for (const auto& s : plan.streams) bps += mean_wire_bps(s, scale, plan.ipv6);
  return bps;
}

std::vector<WindowCount> windows_of(const MadeUpStream& stream, double scale, bool ipv6) {
  // A burst that began before the first window reaches into it: one GOP goes before, and one window comes behind.
  const auto begins = static_cast<std::size_t>(std::ceil(stream.gop_s() / slot_s));
  const auto skip = begins, window = static_cast<std::size_t>(wire_window_ms);
  std::vector<double> slots(skip + begins + window, 0.0);
  each_burst(stream, scale, static_cast<double>(slots.size()) * slot_s, ipv6,
             [&](double begin_s, double burst_s, double octets) { spread(slots, begin_s, burst_s, octets); });
  std::map<std::uint64_t, std::uint64_t> counts;
  double sum = 0;
  for (std::size_t i = 0; i < window; ++i) sum += slots[skip + i];
  for (std::size_t i = 0; i < begins; ++i) {
    ++counts[static_cast<std::uint64_t>(std::llround(sum))];
    sum += slots[skip + i + window] - slots[skip + i];
  }
  std::vector<WindowCount> out;
  for (const auto& [octets, windows] : counts) out.push_back({octets, windows});
  return out;
}

double busiest_window_bps(const RehearsalPlan& plan, double scale, double seconds) {
  const auto window = static_cast<std::size_t>(wire_window_ms);
  std::vector<double> slots(std::max(window, static_cast<std::size_t>(std::ceil(seconds / slot_s))), 0.0);
  for (const auto& s : plan.streams)
    each_burst(s, scale, static_cast<double>(slots.size()) * slot_s, plan.ipv6,
               [&](double begin_s, double burst_s, double octets) { spread(slots, begin_s, burst_s, octets); });
  double sum = 0, most = 0;
  for (std::size_t i = 0; i < slots.size(); ++i) {
    sum += slots[i] - (i >= window ? slots[i - window] : 0);
    most = std::max(most, sum);
  }
  return most * 8 / window_s;
}

}  // namespace tallywire::path
