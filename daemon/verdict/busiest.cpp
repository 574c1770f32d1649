#include "daemon/verdict/busiest.hpp"

#include "daemon/verdict/tilted_sum.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

namespace tallywire::verdict {
namespace {

double log_moment(std::span<const Crowd> crowds, double s) {
  double sum = 0;
  for (const auto& crowd : crowds) sum += crowd.streams * crowd.load.log_moment(s);
  return sum;
}

// The tilt at which `height` is least, among those that matter: s times the peaks is of the order of ln(1/risk), and 25
// decades about that leave nothing out. Golden section over ln s: both heights that are asked for fall, then rise.
template <class Height>
double lowest(std::span<const Crowd> crowds, Height height) {
  double peaks = 0, least = 0;
  for (const auto& crowd : crowds) {
    const double peak = crowd.load.peak_bps();
    peaks += peak * crowd.streams;
    if (peak > 0 && (least == 0 || peak < least)) least = peak;
  }
  if (peaks <= 0) return 0;
  constexpr double golden = 0.6180339887498949;
  double low = std::log(1e-6 / peaks), high = std::log(1e5 / least);
  double a = high - golden * (high - low), b = low + golden * (high - low);
  double at_a = height(std::exp(a)), at_b = height(std::exp(b));
  while (high - low > 1e-9) {
    if (at_a < at_b) {
      high = b;
      b = a;
      at_b = at_a;
      a = high - golden * (high - low);
      at_a = height(std::exp(a));
    } else {
      low = a;
      a = b;
      at_a = at_b;
      b = low + golden * (high - low);
      at_b = height(std::exp(b));
    }
  }
  return std::exp((low + high) / 2);
}

double tilt_for_risk(std::span<const Crowd> crowds, double risk_ratio) {
  return lowest(crowds, [&](double s) { return (log_moment(crowds, s) - std::log(risk_ratio)) / s; });
}

double tilt_for_rate(std::span<const Crowd> crowds, double bps) {
  return lowest(crowds, [&](double s) { return log_moment(crowds, s) - s * bps; });
}

// Whatever is above the grid's top counts as exceeding, at this share of the risk.
constexpr double share_above_top = 1e-10;

TiltedSum sum_for(std::span<const Crowd> crowds, double tilt, double risk_ratio) {
  const double peaks = sums_of(crowds).peaks_bps, top = bounded_bps(crowds, risk_ratio * share_above_top);
  return top < peaks ? TiltedSum(crowds, tilt, top, risk_ratio * share_above_top) : TiltedSum(crowds, tilt, peaks, 0);
}

bool can_convolve(std::span<const Crowd> crowds) { return sums_of(crowds).streams * 4 <= static_cast<double>(TiltedSum::steps_most()); }

}  // namespace

Sums sums_of(std::span<const Crowd> crowds) {
  Sums out;
  for (const auto& crowd : crowds) {
    out.mean_bps += crowd.load.mean_bps() * crowd.streams;
    out.peaks_bps += crowd.load.peak_bps() * crowd.streams;
    out.streams += crowd.streams;
  }
  return out;
}

double bounded_bps(std::span<const Crowd> crowds, double risk_ratio) {
  const auto sums = sums_of(crowds);
  if (sums.peaks_bps <= 0) return 0;
  const double s = tilt_for_risk(crowds, risk_ratio);
  const double bound = (log_moment(crowds, s) - std::log(risk_ratio)) / s;
  return std::clamp(bound, std::min(sums.mean_bps, sums.peaks_bps), sums.peaks_bps);
}

double bounded_exceeded_ratio(std::span<const Crowd> crowds, double bps) {
  const auto sums = sums_of(crowds);
  if (bps >= sums.peaks_bps) return 0;
  if (bps <= sums.mean_bps) return 1;
  const double s = tilt_for_rate(crowds, bps);
  return std::min(1.0, std::exp(log_moment(crowds, s) - s * bps));
}

double convolved_exceeded_ratio(std::span<const Crowd> crowds, double bps) {
  const auto sums = sums_of(crowds);
  const double bound = bounded_exceeded_ratio(crowds, bps);
  if (bound == 0 || !can_convolve(crowds)) return bound;
  const double tilt = bps > sums.mean_bps ? tilt_for_rate(crowds, bps) : 0;
  return std::min(bound, sum_for(crowds, tilt, bound).exceeded_ratio(bps));
}

BusiestInstant busiest_instant(std::span<const Crowd> crowds, double risk_ratio) {
  BusiestInstant out;
  const auto sums = sums_of(crowds);
  if (sums.peaks_bps <= 0) return out;
  out.bps = bounded_bps(crowds, risk_ratio);
  out.exceeded_ratio = out.bps < sums.peaks_bps ? risk_ratio : 0;
  if (!can_convolve(crowds)) return out;
  const auto sum = sum_for(crowds, tilt_for_risk(crowds, risk_ratio), risk_ratio);
  const double rate = std::clamp(sum.rate_exceeded_at_most(risk_ratio), std::min(sums.mean_bps, sums.peaks_bps), sums.peaks_bps);
  if (rate > out.bps) return out;
  out.bps = rate;
  out.exceeded_ratio = rate < sums.peaks_bps ? std::min(risk_ratio, sum.exceeded_ratio(rate * (1 + 1e-12))) : 0;
  out.by_convolution = true;
  out.grid_steps = sum.steps();
  out.grid_step_bps = sum.step_bps();
  out.rounding_bps = sum.rounding_bps();
  out.error_ratio = sum.error_ratio(rate);
  return out;
}

double busiest_bps(std::span<const Load> loads, double risk_ratio) {
  std::vector<Crowd> crowds;
  double mean = 0;
  for (const auto& load : loads) {
    crowds.push_back({LoadDistribution(load), 1});
    mean += load.mean_bps;
  }
  return std::max(bounded_bps(crowds, risk_ratio), mean);
}

}  // namespace tallywire::verdict
