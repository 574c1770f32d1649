#include "daemon/verdict/tilted_sum.hpp"

#include <fftw3.h>

#include <algorithm>
#include <bit>
#include <cmath>
#include <complex>
#include <limits>
#include <memory>
#include <mutex>

namespace tallywire::verdict {
namespace {

constexpr std::size_t fewest_steps = 8192, most_steps = 65536;
// Steps of the range for each stream, as far as there are as many: 200 of them keep what is rounded up under 0.5 % of it.
constexpr std::size_t steps_a_stream = 200;

using Wave = std::complex<double>;

std::mutex& planner() {
  static std::mutex lock;
  return lock;
}

// Both transforms of one length, and their buffers as FFTW wants them aligned.
class Transform {
 public:
  explicit Transform(std::size_t length)
      : length_(length), values(fftw_alloc_real(length)), waves(fftw_alloc_complex(length / 2 + 1)) {
    if (!values || !waves) throw std::bad_alloc();
    const std::lock_guard hold(planner());
    there_ = fftw_plan_dft_r2c_1d(static_cast<int>(length), values.get(), waves.get(), FFTW_ESTIMATE);
    back_ = fftw_plan_dft_c2r_1d(static_cast<int>(length), waves.get(), values.get(), FFTW_ESTIMATE);
    if (!there_ || !back_) throw std::bad_alloc();
  }
  ~Transform() {
    const std::lock_guard hold(planner());
    if (there_) fftw_destroy_plan(there_);
    if (back_) fftw_destroy_plan(back_);
  }
  Transform(const Transform&) = delete;
  Transform& operator=(const Transform&) = delete;

  void there() { fftw_execute(there_); }
  void back() { fftw_execute(back_); }
  Wave wave(std::size_t i) const { return {waves.get()[i][0], waves.get()[i][1]}; }
  void set_wave(std::size_t i, Wave value) {
    waves.get()[i][0] = value.real();
    waves.get()[i][1] = value.imag();
  }

 private:
  struct Free {
    void operator()(void* memory) const { fftw_free(memory); }
  };
  std::size_t length_;

 public:
  std::unique_ptr<double[], Free> values;
  std::unique_ptr<fftw_complex[], Free> waves;

 private:
  fftw_plan there_ = nullptr, back_ = nullptr;
};

// Without the library's care for infinities: there are none, and it takes three times as long.
Wave times(Wave a, Wave b) { return {a.real() * b.real() - a.imag() * b.imag(), a.real() * b.imag() + a.imag() * b.real()}; }

Wave power(Wave base, int exponent) {
  while ((exponent & 1) == 0) {
    base = times(base, base);
    exponent >>= 1;
  }
  Wave out = base;
  while ((exponent >>= 1) > 0) {
    base = times(base, base);
    if (exponent & 1) out = times(out, base);
  }
  return out;
}

// A power-of-two transform of length 2^t changes a vector by at most t times this share of its length in the Euclidean sense
// (Higham, Accuracy and Stability of Numerical Algorithms, 2nd edition, Theorem 24.2: u + 4u √2, twiddle factors to u).
constexpr double unit = std::numeric_limits<double>::epsilon() / 2;
constexpr double transform_error = unit * (1 + 4 * 1.4142135623730951) * 1.01;

}  // namespace

std::size_t TiltedSum::steps_most() { return most_steps; }

TiltedSum::TiltedSum(std::span<const Crowd> crowds, double s, double top_bps, double above_top) : s_(s), above_top_(above_top) {
  double highest_peak = 0;
  for (const auto& crowd : crowds) {
    streams_ += crowd.streams;
    floor_bps_ += crowd.load.least_bps() * crowd.streams;
    highest_peak = std::max(highest_peak, crowd.load.peak_bps() - crowd.load.least_bps());
  }
  const double range = std::max({top_bps - floor_bps_, highest_peak, top_bps * 1e-9});
  const auto wanted = std::bit_ceil(static_cast<std::size_t>(streams_) * steps_a_stream);
  steps_ = std::clamp(wanted, fewest_steps, most_steps);
  // Rounded up, no sum below the top leaves the grid, where it would come back at the bottom.
  step_bps_ = range / (static_cast<double>(steps_) - 2 - streams_);
  if (range > 0) convolve(crowds);
}

void TiltedSum::convolve(std::span<const Crowd> crowds) {
  Transform transform(steps_);
  const std::size_t waves = steps_ / 2 + 1;
  std::vector<Wave> product(waves, 1);
  for (const auto& crowd : crowds) {
    const auto atoms = crowd.load.atoms();
    if (atoms.empty() || crowd.streams < 1) continue;
    std::fill_n(transform.values.get(), steps_, 0.0);
    const auto step_of = [&](double bps) { return std::ceil((bps - atoms.front().bps) / step_bps_); };
    const double top = step_of(atoms.back().bps);
    double sum = 0;
    for (const auto& atom : atoms) sum += atom.share * std::exp(s_ * step_bps_ * (step_of(atom.bps) - top));
    for (const auto& atom : atoms)
      transform.values[static_cast<std::size_t>(step_of(atom.bps))] += atom.share * std::exp(s_ * step_bps_ * (step_of(atom.bps) - top)) / sum;
    log_moment_ += crowd.streams * (std::log(sum) + s_ * step_bps_ * top);
    transform.there();
    for (std::size_t i = 0; i < waves; ++i) product[i] = times(product[i], power(transform.wave(i), crowd.streams));
  }
  for (std::size_t i = 0; i < waves; ++i) transform.set_wave(i, product[i]);
  transform.back();
  // One transform for each load and one back, and the products; no factor is above 1.
  coefficient_error_ = (streams_ + 1) * transform_error * std::log2(static_cast<double>(steps_)) + 6 * unit * streams_;
  tail_.assign(steps_ + 1, 0);
  for (std::size_t k = steps_; k-- > 0;) {
    const double share = std::max(0.0, transform.values[k]) / static_cast<double>(steps_);
    const double here = share > 0 ? share * weight_at(k) : 0;
    tail_[k] = std::min(1.0, tail_[k + 1] + here);
  }
}

double TiltedSum::weight_at(std::size_t step) const { return std::exp(std::min(700.0, log_moment_ - s_ * step_bps_ * static_cast<double>(step))); }

// The tail is a sum of coefficients that are weighed by at most weight_at(step), falling by e^(-s step) each: Cauchy-Schwarz.
double TiltedSum::error_at(std::size_t step) const {
  const double falling = -std::expm1(-2 * s_ * step_bps_);
  const double length = std::sqrt(std::min(static_cast<double>(steps_), falling > 0 ? 1 / falling : HUGE_VAL));
  return coefficient_error_ * length * weight_at(step);
}

// The first step of the grid that is above this rate.
std::size_t TiltedSum::step_above(double bps) const {
  if (bps < floor_bps_) return 0;
  return static_cast<std::size_t>(std::min(static_cast<double>(steps_), std::floor((bps - floor_bps_) / step_bps_) + 1));
}

double TiltedSum::exceeded_ratio(double bps) const {
  if (tail_.empty()) return bps < floor_bps_ ? 1 : 0;
  const auto step = step_above(bps);
  return std::min(1.0, tail_[step] + error_at(step) + above_top_);
}

double TiltedSum::error_ratio(double bps) const { return tail_.empty() ? 0 : std::min(1.0, error_at(step_above(bps))); }

double TiltedSum::rate_exceeded_at_most(double risk_ratio) const {
  if (tail_.empty()) return floor_bps_;
  std::size_t least = steps_ - 1;
  for (std::size_t k = steps_; k-- > 0;) {
    if (tail_[k + 1] + error_at(k + 1) + above_top_ > risk_ratio) break;
    least = k;
  }
  return floor_bps_ + static_cast<double>(least) * step_bps_;
}

}  // namespace tallywire::verdict
