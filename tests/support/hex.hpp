// Octets from hexadecimal text, as the check values write them.
#pragma once

#include <cstdint>
#include <string_view>
#include <vector>

namespace tallywire::test {

inline std::vector<std::uint8_t> from_hex(std::string_view text) {
  std::vector<std::uint8_t> out;
  int digits = 0, value = 0;
  for (const char c : text) {
    const auto digit = std::string_view("0123456789abcdef").find(c);
    if (digit == std::string_view::npos) continue;  // blanks between groups
    value = value << 4 | static_cast<int>(digit);
    if (++digits % 2 == 0) {
      out.push_back(static_cast<std::uint8_t>(value));
      value = 0;
    }
  }
  return out;
}

}  // namespace tallywire::test
