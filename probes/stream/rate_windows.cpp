#include "probes/stream/rate_windows.hpp"

#include <algorithm>
#include <bit>
#include <cmath>

namespace tallywire::stream {

std::size_t RateHistogram::class_of(std::uint64_t octets) {
  if (octets == 0) return 0;
  const int octave = std::min(63 - std::countl_zero(octets), octaves - 1);
  // The four bits below the leading one choose the step within the octave.
  const std::uint64_t scaled = octave >= 4 ? octets >> (octave - 4) : octets << (4 - octave);
  const auto step = std::min<std::uint64_t>(scaled - 16, steps_per_octave - 1);
  return 1 + static_cast<std::size_t>(octave * steps_per_octave) + static_cast<std::size_t>(step);
}

double RateHistogram::edge_of(std::size_t index) {
  if (index == 0) return 0;
  const auto octave = static_cast<int>((index - 1) / steps_per_octave);
  const auto step = static_cast<double>((index - 1) % steps_per_octave);
  return std::ldexp(1 + step / steps_per_octave, octave);
}

void RateWindows::advance_to(std::int64_t slot) {
  if (slot_ < 0) {
    slot_ = first_slot_ = slot;
    return;
  }
  for (std::size_t w = 0; w < windows_ms.size(); ++w) peaks_[w] = std::max(peaks_[w], sums_[w]);
  if (slot <= slot_) return;
  // After a gap longer than the longest window nothing of the past is left in any window.
  const std::int64_t steps = std::min<std::int64_t>(slot - slot_, windows_ms.back());
  for (std::int64_t i = 0; i < steps; ++i) {
    ++slot_;
    for (std::size_t w = 0; w < windows_ms.size(); ++w) {
      // A window ends here: it covers the slots before this one.
      if ((slot_ - first_slot_) % windows_ms[w] == 0) histograms_[w].add(sums_[w]);
      const auto leaving = slot_ - windows_ms[w];
      if (leaving >= first_slot_)
        sums_[w] -= slots_[static_cast<std::size_t>(leaving) % slots_.size()];
    }
    slots_[static_cast<std::size_t>(slot_) % slots_.size()] = 0;
  }
  if (slot_ != slot) {
    slot_ = first_slot_ = slot;
    slots_.fill(0);
    sums_.fill(0);
  }
}

double RateWindows::peak_bps(int window_ms) const {
  for (std::size_t w = 0; w < windows_ms.size(); ++w)
    if (windows_ms[w] == window_ms)
      return static_cast<double>(std::max(peaks_[w], sums_[w])) * 8 * 1000 / window_ms;
  return 0;
}

}  // namespace tallywire::stream
