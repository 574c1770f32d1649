#include "probes/stream/rate_windows.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <numeric>

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

void RateWindows::begin_at(std::int64_t slot) {
  slot_ = slot;
  for (std::size_t w = 0; w < windows_ms.size(); ++w) windows_[w].tile_end = slot + windows_ms[w];
}

// In silence sums only fall: a peak can but stand where a slot closes that holds something.
void RateWindows::close_slot() {
  if (slot_octets_ == 0) return;
  const auto octets = static_cast<std::uint32_t>(slot_octets_);
  for (std::size_t w = 0; w < windows_ms.size(); ++w) {
    auto& window = windows_[w];
    for (; window.tail != head_ && age(window.tail) >= windows_ms[w]; window.tail = (window.tail + 1) % kept_slots)
      window.sum -= octets_[window.tail];
    window.sum += octets;
    window.peak = std::max(window.peak, window.sum);
    window.tile_octets += octets;
  }
  slots_[head_] = static_cast<std::uint16_t>(slot_);
  octets_[head_] = octets;
  head_ = (head_ + 1) % kept_slots;
  slot_octets_ = 0;
}

// So many steps in a row have ended that held so much each. With each but the first nine ends a window.
void RateWindows::end_steps(std::uint32_t octets, std::int64_t count) {
  auto& histogram = histograms_[overlapping];
  for (; count > 0; --count) {
    step_octets_[steps_seen_ % steps] = octets;
    if (++steps_seen_ < steps) continue;
    if (steps_seen_ == 2 * steps) steps_seen_ = steps;
    const auto sum = std::accumulate(step_octets_.begin(), step_octets_.end(), std::uint64_t{0});
    if (sum == 0) return histogram.add_many(0, static_cast<std::uint32_t>(count));  // and so are those behind it
    histogram.add(sum);
  }
}

// Whole windows that have ended before this slot; behind one that held something only empty ones can follow.
void RateWindows::end_tiles(std::int64_t slot) {
  for (std::size_t w = 0; w < windows_ms.size(); ++w) {
    auto& window = windows_[w];
    if (slot < window.tile_end || w == overlapping) continue;
    const auto empty = (slot - window.tile_end) / windows_ms[w];
    if (w == 0) {
      end_steps(window.tile_octets, 1);
      end_steps(0, empty);
    }
    histograms_[w].add(window.tile_octets);
    window.tile_octets = 0;
    if (empty > 0) histograms_[w].add_many(0, static_cast<std::uint32_t>(empty));
    window.tile_end += (empty + 1) * windows_ms[w];
  }
}

void RateWindows::advance_to(std::int64_t slot) {
  if (slot_ < 0) return begin_at(slot);
  if (slot < slot_) return;
  close_slot();
  end_tiles(slot);
  if (slot - slot_ > windows_ms.back())
    for (auto& window : windows_) {
      window.tail = head_;
      window.sum = 0;
    }
  slot_ = slot;
}

void RateWindows::interrupt() {
  if (slot_ < 0) return;
  close_slot();
  if (slot_ + 1 == windows_[0].tile_end) end_steps(windows_[0].tile_octets, 1);
  steps_seen_ = 0;
  for (std::size_t w = 0; w < windows_ms.size(); ++w)
    if (slot_ + 1 == windows_[w].tile_end && w != overlapping) histograms_[w].add(windows_[w].tile_octets);
  slot_ = -1;
  for (auto& window : windows_) {
    window.tail = head_;
    window.sum = 0;
    window.tile_octets = 0;
  }
}

double RateWindows::peak_bps(int window_ms) const {
  for (std::size_t w = 0; w < windows_ms.size(); ++w) {
    if (windows_ms[w] != window_ms) continue;
    auto running = windows_[w].sum + static_cast<std::uint64_t>(slot_octets_);
    for (auto at = windows_[w].tail; at != head_ && age(at) >= window_ms; at = (at + 1) % kept_slots) running -= octets_[at];
    return static_cast<double>(std::max(windows_[w].peak, running)) * 8 * 1000 / window_ms;
  }
  return 0;
}

}  // namespace tallywire::stream
