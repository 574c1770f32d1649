// How a stream's bits fall in time: the greatest number in any window of 10, 40, 100 and 1000 ms, and the
// distribution over windows of these lengths, kept as a compact histogram.
#pragma once

#include <algorithm>
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
  void add(std::uint64_t octets) { add_many(octets, 1); }
  void add_many(std::uint64_t octets, std::uint32_t count) {
    const auto at = class_of(octets);
    counts_[at] += count;
    if (at == 0 || (at >= lowest_ && at <= highest_)) return;
    lowest_ = std::min(lowest_, static_cast<std::uint16_t>(at));
    highest_ = std::max(highest_, static_cast<std::uint16_t>(at));
  }
  static std::size_t class_of(std::uint64_t octets);
  // Lower edge of a class in octets: 0, 1, 64, 68, …
  static double edge_of(std::size_t index);
  const std::array<std::uint32_t, classes>& counts() const { return counts_; }
  // Each class that holds something, from below: take(lower edge, count).
  template <class Take>
  void each_used(Take&& take) const {
    if (counts_[0] > 0) take(edge_of(0), counts_[0]);
    for (std::size_t at = lowest_; at <= highest_; ++at)
      if (counts_[at] > 0) take(edge_of(at), counts_[at]);
  }

 private:
  // Between these stands all that is not in class 0: nobody reads through the many that are empty.
  std::uint16_t lowest_ = classes, highest_ = 0;
  std::array<std::uint32_t, classes> counts_{};
};

// Octets are gathered in slots of 1 ms. A window slides by whole slots, so the peak of a w ms window is
// that of the busiest w consecutive slots. Only slots that hold something are kept: silence costs nothing.
class RateWindows {
 public:
  static constexpr std::array<int, 4> windows_ms = {10, 40, 100, 1000};

  // Times must not go back by more than a slot; one that does counts in the newest slot.
  void add(std::int64_t time_ns, std::uint32_t octets) {
    const std::int64_t slot = time_ns / 1'000'000;
    if (slot != slot_) advance_to(slot);
    slot_octets_ += octets;
  }
  // Fetches what each add() touches; then, once that is there, what one touches that closes a slot.
  void prefetch() const { __builtin_prefetch(this, 1); }
  bool would_close(std::int64_t time_ns) const { return time_ns / 1'000'000 != slot_; }
  void prefetch_more() const {
    __builtin_prefetch(&windows_[1], 1);
    __builtin_prefetch(&windows_[3], 1);
    __builtin_prefetch(&slots_[head_], 1);
    __builtin_prefetch(&octets_[head_], 1);
  }
  // The stream broke here: the next packet begins new windows, the histogram goes on.
  void interrupt();
  // The greatest rate in any window of this length, complete or not; 0 for a length that is not kept.
  double peak_bps(int window_ms) const;
  // Whole windows of windows_ms[index], one after another from the first packet; those of 100 ms begin every 10 ms. Key frames
  // come in step with such windows: one after another, they would see the stream at a single phase.
  const RateHistogram& histogram(std::size_t index) const { return histograms_[index]; }
  static constexpr std::size_t overlapping = 2;
  static constexpr int step_ms = 10;

 private:
  static constexpr std::size_t kept_slots = 1024;  // more than the slots of the longest window
  void begin_at(std::int64_t slot);
  void advance_to(std::int64_t slot);
  void close_slot();
  void end_tiles(std::int64_t slot);
  void end_steps(std::uint32_t octets, std::int64_t count);
  // How many slots lie between a kept one and the newest; right as long as it is fewer than 65 536.
  std::uint16_t age(std::size_t place) const { return static_cast<std::uint16_t>(static_cast<std::uint64_t>(slot_) - slots_[place]); }

  // Of one window length: the sliding sum over closed slots and its tail, and the whole window that is under way.
  struct Window {
    std::uint64_t sum = 0, peak = 0;
    std::int64_t tile_end = 0;       // first slot behind it
    std::uint32_t tile_octets = 0;
    std::uint32_t tail = 0;          // oldest kept slot that still counts
  };
  std::int64_t slot_ = -1;
  std::int64_t slot_octets_ = 0;     // of the newest slot; in the sums when it closes
  std::uint32_t head_ = 0;           // where the next slot goes
  std::array<Window, windows_ms.size()> windows_{};
  // A ring, set from `tail` to `head` only. Numbers are modulo 65 536.
  std::array<std::uint16_t, kept_slots> slots_;
  std::array<std::uint32_t, kept_slots> octets_;
  std::array<RateHistogram, windows_ms.size()> histograms_{};
  // The newest steps of the windows that overlap, fewer where they have just begun.
  static constexpr std::uint32_t steps = windows_ms[overlapping] / step_ms;
  static_assert(step_ms == windows_ms[0]);
  std::array<std::uint32_t, steps> step_octets_{};
  std::uint32_t steps_seen_ = 0;
};

}  // namespace tallywire::stream
