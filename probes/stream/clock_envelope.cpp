#include "probes/stream/clock_envelope.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <span>
#include <vector>

namespace tallywire::stream {
namespace {

double median_of(std::vector<double>& values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

// Ranks of Sen's interval for n points without ties: the slopes this far from the median one.
std::size_t interval_rank(std::size_t n) {
  const auto count = static_cast<double>(n);
  const double variance = count * (count - 1) * (2 * count + 5) / 18;
  return static_cast<std::size_t>(std::ceil(1.96 * std::sqrt(variance) / 2));
}

}  // namespace

void ClockEnvelope::halve() {
  for (std::size_t i = 0; i < bins / 2; ++i) {
    const Point &a = points_[2 * i], &b = points_[2 * i + 1];
    const bool first = b.index < 0 || (a.index >= 0 && a.delay_ns <= b.delay_ns);
    points_[i] = first ? a : b;
  }
  std::fill(points_.begin() + bins / 2, points_.end(), Point{});
  width_ns_ *= 2;
}

void ClockEnvelope::add(std::int64_t at_ns, std::int64_t told_ns, std::int64_t index) {
  if (!any_) {
    any_ = true;
    first_at_ns_ = at_ns;
    first_told_ns_ = told_ns;
  }
  const std::int64_t at = std::max<std::int64_t>(0, at_ns - first_at_ns_);
  // Times further apart than 2^53 ns (104 days) are no stream that is metered in one piece.
  if (at > std::int64_t{1} << 53) return;
  while (at / width_ns_ >= static_cast<std::int64_t>(bins)) halve();
  Point& point = points_[static_cast<std::size_t>(at / width_ns_)];
  const std::int64_t delay = at - (told_ns - first_told_ns_);
  if (point.index < 0 || delay < point.delay_ns) point = {at, delay, index};
}

double ClockEnvelope::span_s() const {
  std::int64_t last = 0;
  for (const auto& point : points_)
    if (point.index >= 0) last = std::max(last, point.at_ns);
  return static_cast<double>(last) / 1e9;
}

std::optional<ClockEstimate> ClockEnvelope::estimate(double resolution_ns) const {
  std::array<Point, bins> kept;
  const auto kept_end = std::copy_if(points_.begin(), points_.end(), kept.begin(), [](const Point& p) { return p.index >= 0; });
  const std::span points(kept.begin(), kept_end);
  if (points.size() < least_points) return std::nullopt;
  const auto run = [](const Point& a, const Point& b) { return static_cast<double>(b.at_ns - a.at_ns); };
  std::vector<double> slopes;
  slopes.reserve(points.size() * (points.size() - 1) / 2);
  for (std::size_t i = 0; i < points.size(); ++i)
    for (std::size_t j = i + 1; j < points.size(); ++j)
      if (run(points[i], points[j]) > 0)
        slopes.push_back(static_cast<double>(points[j].delay_ns - points[i].delay_ns) / run(points[i], points[j]));
  if (slopes.size() < least_points) return std::nullopt;
  const auto middle = static_cast<std::ptrdiff_t>(slopes.size() / 2), last_slope = static_cast<std::ptrdiff_t>(slopes.size() - 1);
  const auto rank = std::min(middle, static_cast<std::ptrdiff_t>(interval_rank(points.size())));
  // Three of the slopes in order are enough: the middle one parts the others.
  const auto begin = slopes.begin(), at = begin + middle, above = begin + std::min(last_slope, middle + rank), below = at - rank;
  std::nth_element(begin, at, slopes.end());
  if (above > at) std::nth_element(at + 1, above, slopes.end());
  if (below < at) std::nth_element(begin, below, at);
  const double slope = *at, upper = *above, lower = *below;
  const double half = std::max(upper - slope, slope - lower);

  ClockEstimate out;
  const double span = run(points.front(), points.back());
  out.span_s = span / 1e9;
  // The delay of a clock that is fast falls with time.
  out.ppm = -slope * 1e6;
  out.ppm_half_width = (half + resolution_ns / span) * 1e6;

  // Events are counted between two points near the line, so that a burst at the start does not count as a rate.
  std::vector<double> offsets;
  for (const auto& point : points)
    offsets.push_back(static_cast<double>(point.delay_ns) - slope * static_cast<double>(point.at_ns));
  std::vector<double> sorted = offsets;
  const double level = median_of(sorted);
  for (auto& value : sorted) value = std::abs(value - level);
  // 1.4826 makes a standard deviation of the median deviation (normal distribution).
  const double spread = 1.4826 * median_of(sorted) + resolution_ns;
  const auto near = [&](std::size_t i) { return std::abs(offsets[i] - level) <= 3 * spread; };
  std::size_t first = 0, last = points.size() - 1;
  while (first < last && !near(first)) ++first;
  while (last > first && !near(last)) --last;
  if (first == last) return out;
  const double between = run(points[first], points[last]);
  out.event_rate_hz = static_cast<double>(points[last].index - points[first].index) * 1e9 / between;
  out.event_rate_half_width_hz = out.event_rate_hz * 2 * spread / between;
  return out;
}

}  // namespace tallywire::stream
