#include "probes/path/delay_skew.hpp"

#include "probes/stream/clock_envelope.hpp"

#include <algorithm>
#include <limits>

namespace tallywire::path {

namespace {

constexpr double resolution_ns = 1000;
constexpr double widest_ppm = 100;  // what is told more vaguely is no line: crystals differ by less (common practice)

struct Event {
  std::int64_t at_ns, told_ns;
};

std::optional<stream::ClockEstimate> estimate_of(std::vector<Event> events) {
  std::stable_sort(events.begin(), events.end(), [](const Event& a, const Event& b) { return a.at_ns < b.at_ns; });
  stream::ClockEnvelope envelope;
  std::int64_t index = 0;
  for (const auto& event : events) envelope.add(event.at_ns, event.told_ns, index++);
  return envelope.estimate(resolution_ns);
}

}  // namespace

std::optional<Skew> skew_of(const std::vector<Crossing>& crossings) {
  std::vector<Event> out, back;
  out.reserve(crossings.size());
  back.reserve(crossings.size());
  for (const auto& c : crossings) {
    out.push_back({c.received_ns, c.sent_ns});
    back.push_back({c.came_back_ns, c.sent_back_ns});
  }
  const auto ours = estimate_of(std::move(out)), theirs = estimate_of(std::move(back));
  if (!ours || !theirs) return std::nullopt;
  const double low = std::max(-ours->ppm - ours->ppm_half_width, theirs->ppm - theirs->ppm_half_width);
  const double high = std::min(-ours->ppm + ours->ppm_half_width, theirs->ppm + theirs->ppm_half_width);
  if (!(low <= high)) return std::nullopt;
  if (high - low > 2 * widest_ppm) return std::nullopt;
  return Skew{(low + high) / 2, (high - low) / 2};
}

bool clocks_hold(const std::vector<Crossing>& crossings, double skew_ppm, double tolerance_ns) {
  double least = std::numeric_limits<double>::infinity(), most = -least;
  for (const auto& c : crossings) {
    const double drift = skew_ppm * 1e-6 * static_cast<double>(c.sent_ns - crossings.front().sent_ns);
    const double out = static_cast<double>(c.out_ns()) - drift;
    most = std::max(most, out - static_cast<double>(c.round_trip_ns()));
    least = std::min(least, out);
  }
  return crossings.empty() || most <= least + tolerance_ns;
}

}  // namespace tallywire::path
