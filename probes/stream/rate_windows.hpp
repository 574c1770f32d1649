// How a stream's bits fall in time: the greatest number in any window of 10, 100 and 1000 ms, and the
// distribution over windows of 10, 40, 100 and 1000 ms, kept as a compact histogram.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>

namespace tallywire::stream {

// Counts of values in classes that are 1/16 of an octave wide, from 64 octets (less is one class) to 64 MiB (more
// is the last class): any value between is known to 4.4 %. Nothing at all has a class of its own.
class RateHistogram {
 public:
  static constexpr int steps_per_octave = 16;
  static constexpr int first_octave = 6;
  static constexpr int octaves = 20;
  static constexpr std::size_t classes = octaves * steps_per_octave + 2;
  void add(std::uint64_t octets) { ++counts_[class_of(octets)]; }
  void add_many(std::uint64_t octets, std::uint32_t count) { counts_[class_of(octets)] += count; }
  static std::size_t class_of(std::uint64_t octets);
  // Lower edge of a class in octets: 0, 1, 64, 68, …
  static double edge_of(std::size_t index);
  const std::array<std::uint32_t, classes>& counts() const { return counts_; }

 private:
  std::array<std::uint32_t, classes> counts_{};
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
    slot_octets_ += octets;
  }
  // Fetches what add() at this time will touch.
  void prefetch(std::int64_t time_ns) const {
    __builtin_prefetch(this, 1);
    __builtin_prefetch(&peaks_, 1);
    __builtin_prefetch(&slots_[static_cast<std::size_t>(time_ns / 1'000'000) % slots_.size()], 1);
  }
  // The stream broke here: the next packet begins new windows, the histogram goes on.
  void interrupt();
  // The greatest rate in any window of this length, complete or not; 0 for a length that is not kept.
  double peak_bps(int window_ms) const;
  // Whole windows of windows_ms[index], one after another from the first packet.
  const RateHistogram& histogram(std::size_t index) const { return histograms_[index]; }

 private:
  void advance_to(std::int64_t slot);
  void close_slot();
  void begin_at(std::int64_t slot);
  // Slots before the first are empty: the ring is longer than any window, and emptied when windows begin anew.
  std::uint32_t octets_in(std::int64_t slot) const { return slots_[static_cast<std::size_t>(slot) % slots_.size()]; }

  std::int64_t slot_ = -1;
  std::int64_t slot_octets_ = 0;  // of the newest slot; in the sums when it closes
  std::int64_t first_slot_ = -1;
  std::array<std::uint64_t, windows_ms.size()> sums_{};   // octets in the newest w closed slots
  std::array<std::uint64_t, windows_ms.size()> peaks_{};
  std::array<std::uint32_t, windows_ms.size()> left_{};   // slots until a whole window ends
  std::array<std::uint32_t, 1024> slots_{};               // a ring, longer than the longest window
  std::array<RateHistogram, windows_ms.size()> histograms_{};
};

}  // namespace tallywire::stream
