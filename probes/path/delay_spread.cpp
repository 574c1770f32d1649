#include "probes/path/delay_spread.hpp"

#include <algorithm>
#include <cmath>

namespace tallywire::path {

double percentile_of(const std::vector<double>& sorted, double share) {
  // 0.99 · 100 must not become 100 by a rounding in the last place.
  const auto rank = std::ceil(share * static_cast<double>(sorted.size()) - 1e-9);
  return sorted[static_cast<std::size_t>(std::clamp(rank, 1.0, static_cast<double>(sorted.size()))) - 1];
}

Spread spread_of(std::vector<double> values) {
  Spread out;
  out.count = values.size();
  if (values.empty()) return out;
  std::sort(values.begin(), values.end());
  out.min = values.front();
  out.max = values.back();
  out.median = percentile_of(values, 0.5);
  if (values.size() >= 20) out.p95 = percentile_of(values, 0.95);
  if (values.size() >= 100) out.p99 = percentile_of(values, 0.99);
  if (values.size() >= 1000) out.p999 = percentile_of(values, 0.999);
  return out;
}

}  // namespace tallywire::path
