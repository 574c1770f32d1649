#include "probes/path/rehearsal_climb.hpp"

#include <algorithm>
#include <cmath>

namespace tallywire::path {

Climb::Climb(ClimbRules rules) : rules_(rules) {
  for (const double scale : {0.1, 0.2, 0.4, 0.6, 0.8, 1.0})
    if (scale < rules_.most_scale) scales_.push_back(scale);
  for (double scale = 1.25; scale < rules_.most_scale; scale *= 1.25) scales_.push_back(scale);
  scales_.push_back(rules_.most_scale);
}

std::optional<double> Climb::next() const {
  if (!lost_) {
    const auto at = std::find_if(scales_.begin(), scales_.end(), [&](double scale) { return scale > carried_.value_or(0); });
    return at == scales_.end() ? std::nullopt : std::optional(*at);
  }
  const double low = carried_.value_or(0), high = *lost_;
  if (!rules_.refine || (high - low) / high <= rules_.resolution_ratio || (low <= 0 && high / 2 < least_scale)) return std::nullopt;
  return (low + high) / 2;
}

void Climb::take(double scale, bool lost) {
  if (lost)
    lost_ = std::min(scale, lost_.value_or(scale));
  else if (!lost_ || scale < *lost_)
    carried_ = std::max(scale, carried_.value_or(scale));
  if (carried_ && lost_ && *carried_ >= *lost_) carried_.reset();
}

std::size_t Climb::most_steps_left() const {
  const auto halvings = [&](double low, double high) {
    // The most are needed where loss begins just above the lower one.
    const double beside = low > 0 ? low : high;
    return static_cast<std::size_t>(std::max(0.0, std::ceil(std::log2((high - low) / beside / rules_.resolution_ratio) - 1e-9)));
  };
  if (lost_) return next() ? halvings(carried_.value_or(0), *lost_) : 0;
  std::size_t most = 0, before = 0;
  double low = carried_.value_or(0);
  for (const double scale : scales_) {
    if (scale <= carried_.value_or(0)) continue;
    ++before;
    most = std::max(most, before + (rules_.refine && low > 0 ? halvings(low, scale) : 0));
    low = scale;
  }
  return most;
}

}  // namespace tallywire::path
