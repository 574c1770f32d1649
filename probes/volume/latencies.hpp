// How long single operations took, in constant memory however many there are: a histogram whose steps grow with
// the value. From 1 µs to 2^40 µs (12 days). A percentile is at most 3.2 % too high and never too low; the longest is exact.
// Not thread-safe; no I/O.
#pragma once

#include <array>
#include <chrono>
#include <cstdint>
#include <optional>

namespace tallywire::volume {

class Latencies {
 public:
  void add(std::chrono::nanoseconds took);
  void add_all(const Latencies& other);
  std::uint64_t count() const { return count_; }
  // The least value that this share of the operations did not exceed; share in (0, 1]. None without operations.
  std::optional<double> percentile_ms(double share) const;
  std::optional<double> longest_ms() const;

 private:
  static constexpr int step_bits = 5, steps = 1 << step_bits, powers = 36;
  static std::size_t bucket_of(std::uint64_t us);
  static std::uint64_t top_of(std::size_t bucket);

  std::array<std::uint64_t, static_cast<std::size_t>(steps) * powers> buckets_{};
  std::uint64_t count_ = 0;
  std::chrono::nanoseconds longest_{0};
};

}  // namespace tallywire::volume
