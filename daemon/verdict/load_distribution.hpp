// What one stream sends in a window, as a distribution: the rates it was seen at, and how often. Pure functions.
#pragma once

#include "probes/window_counts.hpp"

#include <optional>
#include <span>
#include <vector>

namespace tallywire::verdict {

// One stream as a load: its mean and the most it ever sends in one window, both on the wire.
struct Load {
  double mean_bps = 0;
  double peak_bps = 0;
};

class LoadDistribution {
 public:
  struct Atom {
    double bps = 0;
    double share = 0;
  };

  // Either nothing or the peak, with the load's mean. Of all that stays between 0 and the peak with that mean it has the
  // greatest exponential moment (Hoeffding 1963, Theorem 1): what is bounded with it is bounded for all of them.
  explicit LoadDistribution(const Load& load);
  // As it was measured; windows of `window_ms`, which begin at any moment. Where their mean is below the one that was measured
  // over whole GOPs, too few key frames fell among them: so much weight goes to the peak that it is not.
  LoadDistribution(const std::vector<WindowCount>& windows, int window_ms, double mean_bps);

  // Ascending, shares above 0 with a sum of 1; empty for a load that sends nothing.
  std::span<const Atom> atoms() const { return atoms_; }
  double mean_bps() const;
  double least_bps() const { return atoms_.empty() ? 0 : atoms_.front().bps; }
  double peak_bps() const { return atoms_.empty() ? 0 : atoms_.back().bps; }
  // ln of the mean of e^(s X), s in 1/(bit/s), at least 0; no overflow for a large s.
  double log_moment(double s) const;

 private:
  std::vector<Atom> atoms_;
};

// So many streams that are alike, each on its own.
struct Crowd {
  LoadDistribution load;
  int streams = 1;
};

}  // namespace tallywire::verdict
