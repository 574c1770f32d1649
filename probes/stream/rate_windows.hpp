// How a stream's bits fall in time: the greatest number in any window of 10, 100 and 1000 ms, and the
// distribution over windows of 10, 40, 100 and 1000 ms, kept as a compact histogram.
#pragma once

#include <array>
#include <cstdint>

namespace tallywire::stream {

// Counts of values in classes that are 1/16 of an octave wide: any value is known to 4.4 %.
class RateHistogram {
 public:
  static constexpr int steps_per_octave = 16;
  static constexpr int octaves = 32;
  void add(std::uint64_t octets) { ++counts_[class_of(octets)]; }
  static std::size_t class_of(std::uint64_t octets);
  // Lower edge of a class in octets.
  static double edge_of(std::size_t index);
  const std::array<std::uint32_t, octaves * steps_per_octave + 1>& counts() const { return counts_; }

 private:
  std::array<std::uint32_t, octaves * steps_per_octave + 1> counts_{};
};

// Octets are gathered in slots of 1 ms. A window slides by whole slots, so the peak of a w ms window is
// that of the busiest w consecutive slots.
class RateWindows {
 public:
  static constexpr std::array<int, 4> windows_ms = {10, 40, 100, 1000};

  // Times must not go back by more than a slot; one that does counts in the newest slot.
  void add(std::int64_t time_ns, std::uint32_t octets) {
    const std::int64_t slot = time_ns / 1'000'000;
    if (slot != slot_) advance_to(slot);
    slots_[static_cast<std::size_t>(slot_) % slots_.size()] += octets;
    for (auto& sum : sums_) sum += octets;
  }
  // The greatest rate in any window of this length, complete or not; 0 for a length that is not kept.
  double peak_bps(int window_ms) const;
  const RateHistogram& histogram(std::size_t index) const { return histograms_[index]; }

 private:
  void advance_to(std::int64_t slot);

  std::array<std::uint32_t, 1000> slots_{};
  std::array<std::uint64_t, windows_ms.size()> sums_{};   // octets in the newest w slots
  std::array<std::uint64_t, windows_ms.size()> peaks_{};
  std::array<RateHistogram, windows_ms.size()> histograms_{};
  std::int64_t slot_ = -1;
  std::int64_t first_slot_ = -1;
};

}  // namespace tallywire::stream
