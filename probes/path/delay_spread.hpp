// How numbers spread. Pure.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

namespace tallywire::path {

// Percentiles by RFC 2330 §11.3: the least number that at least so many of them do not exceed. One that the numbers are too
// few for (20, 100, 1000) would be the largest of them, and is none.
struct Spread {
  std::size_t count = 0;
  std::optional<double> min, median, p95, p99, p999, max;
};

Spread spread_of(std::vector<double> values);
// `share` above 0, at most 1; `sorted` ascending, not empty.
double percentile_of(const std::vector<double>& sorted, double share);

}  // namespace tallywire::path
