// How many windows of a stream held how much, as one word that a reading can carry and a record can keep:
// "0:12 4736:310 118040:1", ascending; octets on the wire, the most that such a window held; then how many such windows.
// Pure functions.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace tallywire {

struct WindowCount {
  std::uint64_t octets = 0;
  std::uint64_t windows = 0;  // at least 1
  bool operator==(const WindowCount&) const = default;
};

// The reading's quantity, the length of its windows, and the time from the begin of one to that of the next.
inline constexpr const char* wire_windows_quantity = "wire_windows_100ms";
inline constexpr int wire_window_ms = 100, wire_window_step_ms = 10;

std::string encode_windows(const std::vector<WindowCount>& counts);

// None for what is no such word: not ascending, a count of 0, more than 1000 pairs, a number above 2^48.
std::optional<std::vector<WindowCount>> decode_windows(std::string_view word);

}  // namespace tallywire
