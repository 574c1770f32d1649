// When the next RTCP report is due.
#pragma once

#include <chrono>

namespace tallywire::stream {

// RFC 3550 A.7: 0.5 to 1.5 times the base, divided by e - 3/2 so that the mean is the base. `random` lies in [0, 1).
// The base is 5 s (§6.2), half of it before the first report.
constexpr std::chrono::duration<double> report_interval(bool first, double random) {
  constexpr double base_s = 5, compensation = 1.21828;
  return std::chrono::duration<double>((first ? base_s / 2 : base_s) * (0.5 + random) / compensation);
}

}  // namespace tallywire::stream
