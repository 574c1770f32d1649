#include "daemon/verdict/load_distribution.hpp"

#include <algorithm>
#include <cmath>

namespace tallywire::verdict {

LoadDistribution::LoadDistribution(const Load& load) {
  if (load.peak_bps <= 0) return;
  const double on = std::clamp(load.mean_bps / load.peak_bps, 0.0, 1.0);
  if (on < 1) atoms_.push_back({0, 1 - on});
  if (on > 0) atoms_.push_back({load.peak_bps, on});
}

LoadDistribution::LoadDistribution(const std::vector<WindowCount>& windows, int window_ms, double mean_bps) {
  double all = 0;
  for (const auto& window : windows) all += static_cast<double>(window.windows);
  for (const auto& window : windows)
    atoms_.push_back({static_cast<double>(window.octets) * 8000 / window_ms, static_cast<double>(window.windows) / all});
  const double seen = this->mean_bps(), peak = peak_bps();
  if (seen >= mean_bps) return;
  if (peak <= mean_bps) {
    atoms_ = {{mean_bps, 1}};
    return;
  }
  const double moved = (mean_bps - seen) / (peak - seen);
  for (auto& atom : atoms_) atom.share *= 1 - moved;
  atoms_.back().share += moved;
}

double LoadDistribution::mean_bps() const {
  double mean = 0;
  for (const auto& atom : atoms_) mean += atom.bps * atom.share;
  return mean;
}

double LoadDistribution::log_moment(double s) const {
  double sum = 0;
  for (const auto& atom : atoms_) sum += atom.share * std::exp(s * (atom.bps - peak_bps()));
  return atoms_.empty() ? 0 : s * peak_bps() + std::log(sum);
}

}  // namespace tallywire::verdict
