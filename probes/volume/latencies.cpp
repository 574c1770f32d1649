#include "probes/volume/latencies.hpp"

#include <algorithm>
#include <bit>
#include <cmath>

namespace tallywire::volume {

// Below 2 × steps each microsecond has a bucket of its own; above, each power of two has `steps` of them.
std::size_t Latencies::bucket_of(std::uint64_t us) {
  const int power = std::max(0, static_cast<int>(std::bit_width(us)) - step_bits - 1);
  const auto at = static_cast<std::size_t>(power) * steps + static_cast<std::size_t>(us >> power);
  return std::min(at, static_cast<std::size_t>(steps) * powers - 1);
}

std::uint64_t Latencies::top_of(std::size_t bucket) {
  const auto power = bucket < 2 * steps ? 0 : bucket / steps - 1;
  return ((bucket - power * steps + 1) << power) - 1;
}

void Latencies::add(std::chrono::nanoseconds took) {
  // Rounded up, so that a percentile is never too low.
  const auto us = std::max<std::int64_t>(0, (took.count() + 999) / 1000);
  ++buckets_[bucket_of(static_cast<std::uint64_t>(us))];
  ++count_;
  longest_ = std::max(longest_, took);
}

void Latencies::add_all(const Latencies& other) {
  for (std::size_t i = 0; i < buckets_.size(); ++i) buckets_[i] += other.buckets_[i];
  count_ += other.count_;
  longest_ = std::max(longest_, other.longest_);
}

std::optional<double> Latencies::percentile_ms(double share) const {
  if (count_ == 0) return std::nullopt;
  const auto rank = std::clamp<std::uint64_t>(static_cast<std::uint64_t>(std::ceil(share * static_cast<double>(count_))), 1, count_);
  std::uint64_t seen = 0;
  for (std::size_t i = 0; i < buckets_.size(); ++i) {
    seen += buckets_[i];
    if (seen >= rank) return std::min(static_cast<double>(top_of(i)) / 1e3, *longest_ms());
  }
  return longest_ms();
}

std::optional<double> Latencies::longest_ms() const {
  if (count_ == 0) return std::nullopt;
  return std::chrono::duration<double, std::milli>(longest_).count();
}

}  // namespace tallywire::volume
