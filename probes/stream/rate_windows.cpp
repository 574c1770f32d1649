#include "probes/stream/rate_windows.hpp"

#include <algorithm>
#include <bit>
#include <cmath>

namespace tallywire::stream {

std::size_t RateHistogram::class_of(std::uint64_t octets) {
  if (octets == 0) return 0;
  const int octave = 63 - std::countl_zero(octets);
  if (octave < first_octave) return 1;
  if (octave >= first_octave + octaves) return classes - 1;
  // The four bits below the leading one choose the step within the octave.
  const auto step = static_cast<std::size_t>((octets >> (octave - 4)) - steps_per_octave);
  return 2 + static_cast<std::size_t>((octave - first_octave) * steps_per_octave) + step;
}

double RateHistogram::edge_of(std::size_t index) {
  if (index < 2) return static_cast<double>(index);
  const auto octave = static_cast<int>((index - 2) / steps_per_octave) + first_octave;
  const auto step = static_cast<double>((index - 2) % steps_per_octave);
  return std::ldexp(1 + step / steps_per_octave, octave);
}

void RateWindows::close_slot() {
  for (std::size_t w = 0; w < windows_ms.size(); ++w) {
    sums_[w] += static_cast<std::uint64_t>(slot_octets_) - octets_in(slot_ - windows_ms[w]);
    peaks_[w] = std::max(peaks_[w], sums_[w]);
    if (--left_[w] != 0) continue;
    histograms_[w].add(sums_[w]);
    left_[w] = static_cast<std::uint32_t>(windows_ms[w]);
  }
  slots_[static_cast<std::size_t>(slot_) % slots_.size()] = static_cast<std::uint32_t>(slot_octets_);
  slot_octets_ = 0;
}

void RateWindows::begin_at(std::int64_t slot) {
  slot_ = first_slot_ = slot;
  for (std::size_t w = 0; w < windows_ms.size(); ++w) left_[w] = static_cast<std::uint32_t>(windows_ms[w]);
}

void RateWindows::advance_to(std::int64_t slot) {
  if (slot_ < 0) return begin_at(slot);
  if (slot < slot_) return;
  const std::int64_t steps = std::min<std::int64_t>(slot - slot_, windows_ms.back() + 1);
  for (std::int64_t i = 0; i < steps; ++i) {
    close_slot();
    ++slot_;
  }
  if (slot_ == slot) return;
  // A silence longer than the longest window: every sum is 0 by now, and only empty windows follow.
  for (std::size_t w = 0; w < windows_ms.size(); ++w) {
    const auto ended = (slot - first_slot_) / windows_ms[w] - (slot_ - first_slot_) / windows_ms[w];
    histograms_[w].add_many(0, static_cast<std::uint32_t>(ended));
    left_[w] = static_cast<std::uint32_t>(windows_ms[w] - (slot - first_slot_) % windows_ms[w]);
  }
  slots_.fill(0);
  slot_ = slot;
}

void RateWindows::interrupt() {
  if (slot_ >= 0) close_slot();
  slot_ = first_slot_ = -1;
  slots_.fill(0);
  sums_.fill(0);
}

double RateWindows::peak_bps(int window_ms) const {
  for (std::size_t w = 0; w < windows_ms.size(); ++w) {
    if (windows_ms[w] != window_ms) continue;
    const auto leaving = slot_ < 0 ? 0 : octets_in(slot_ - windows_ms[w]);
    const auto running = sums_[w] + static_cast<std::uint64_t>(slot_octets_) - leaving;
    return static_cast<double>(std::max(peaks_[w], running)) * 8 * 1000 / window_ms;
  }
  return 0;
}

}  // namespace tallywire::stream
