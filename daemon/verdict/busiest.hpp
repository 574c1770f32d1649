// The busiest instant of a link: the rate that the sum of independent streams exceeds in a window with no more than a given
// probability. Independent in phase is an assumption, to be said with the figure: frame clocks of real units can lock.
// Pure functions.
#pragma once

#include "daemon/verdict/load_distribution.hpp"

#include <cstddef>
#include <span>

namespace tallywire::verdict {

struct BusiestInstant {
  double bps = 0;             // never below the mean, never above the sum of the peaks
  double exceeded_ratio = 0;  // the probability that a window is above it: at most this
  bool by_convolution = false;  // else by Chernoff's bound
  std::size_t grid_steps = 0;   // of the convolution, as are the three below
  double grid_step_bps = 0;
  double rounding_bps = 0;      // at most so much too high by the grid
  double error_ratio = 0;       // of exceeded_ratio, allowed for the transform's rounding
};

// 0 < risk < 1. The lower of convolution and bound; both are proven, and where there are very many streams the grid is coarse.
BusiestInstant busiest_instant(std::span<const Crowd> crowds, double risk_ratio);

// Chernoff's bound alone: the rate, and the probability of more than a rate.
double bounded_bps(std::span<const Crowd> crowds, double risk_ratio);
double bounded_exceeded_ratio(std::span<const Crowd> crowds, double bps);
// The convolution's answer to the second: never below the exact one.
double convolved_exceeded_ratio(std::span<const Crowd> crowds, double bps);

// Chernoff's bound from mean and peak alone. Proven for any independent loads that stay between 0 and their peak
// (LoadDistribution). Never above the sum of the peaks.
double busiest_bps(std::span<const Load> loads, double risk_ratio);

struct Sums {
  double mean_bps = 0;
  double peaks_bps = 0;
  double streams = 0;
};
Sums sums_of(std::span<const Crowd> crowds);

}  // namespace tallywire::verdict
