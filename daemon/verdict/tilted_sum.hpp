// The distribution of the sum of independent loads, by convolution: each load's windows rounded up to a grid, transformed
// (FFT), multiplied, transformed back. So that tails of 1e-6 and far below it keep their precision, in which a plain
// transform in doubles would only leave noise, each load is first tilted: its shares are weighed by e^(s x), which puts the
// weight of the sum where the tail is, and the sum is weighed back.
// Pure functions; FFTW's planner is behind a lock.
#pragma once

#include "daemon/verdict/load_distribution.hpp"

#include <cstddef>
#include <span>
#include <vector>

namespace tallywire::verdict {

class TiltedSum {
 public:
  // `s`: the tilt, in 1/(bit/s), at least 0. `top_bps`: the sum of the peaks, or a rate that the sum exceeds with a
  // probability of at most `above_top`. The loads may hold up to steps_most() / 4 streams in all.
  TiltedSum(std::span<const Crowd> crowds, double s, double top_bps, double above_top);

  // At least the probability that the sum is above this rate: never below the exact one.
  double exceeded_ratio(double bps) const;
  // The least rate of the grid of which that is at most `risk_ratio`; the top where there is none.
  double rate_exceeded_at_most(double risk_ratio) const;

  std::size_t steps() const { return steps_; }
  double step_bps() const { return step_bps_; }
  // The most by which the sum can be too high because each load was rounded up.
  double rounding_bps() const { return step_bps_ * streams_; }
  // What of exceeded_ratio(bps) is allowed for the transforms' own rounding.
  double error_ratio(double bps) const;
  static std::size_t steps_most();

 private:
  std::size_t step_above(double bps) const;
  double weight_at(std::size_t step) const;
  double error_at(std::size_t step) const;
  void convolve(std::span<const Crowd> crowds);

  double s_;
  double floor_bps_ = 0;    // the sum of what each load sends at least: the grid begins there
  double step_bps_ = 0;
  double streams_ = 0;
  double above_top_;
  double log_moment_ = 0;   // of the rounded loads, above the floor
  double coefficient_error_ = 0;
  std::size_t steps_ = 0;
  std::vector<double> tail_;  // probability of at least so many steps, without error and without what is above the top
};

}  // namespace tallywire::verdict
