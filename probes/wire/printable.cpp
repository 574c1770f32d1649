#include "probes/wire/printable.hpp"

#include <cstdint>

namespace tallywire::wire {
namespace {

// Octets of the well-formed sequence at the front of `text` (RFC 3629 §4), 0 when there is none.
std::size_t sequence(std::string_view text) {
  const auto at = [&](std::size_t i) { return i < text.size() ? static_cast<std::uint8_t>(text[i]) : 0u; };
  const auto tail = [&](std::size_t i) { return at(i) >= 0x80 && at(i) <= 0xbf; };
  const unsigned first = at(0), second = at(1);
  if (first < 0x80) return 1;
  if (first >= 0xc2 && first <= 0xdf) return tail(1) ? 2 : 0;
  if (first >= 0xe0 && first <= 0xef) {
    // Overlong forms and surrogates are none.
    const bool in_range = (first != 0xe0 || second >= 0xa0) && (first != 0xed || second <= 0x9f);
    return in_range && tail(1) && tail(2) ? 3 : 0;
  }
  if (first >= 0xf0 && first <= 0xf4) {
    const bool in_range = (first != 0xf0 || second >= 0x90) && (first != 0xf4 || second <= 0x8f);
    return in_range && tail(1) && tail(2) && tail(3) ? 4 : 0;
  }
  return 0;
}

bool is_control(std::string_view one) {
  const auto c = static_cast<std::uint8_t>(one[0]);
  return c < 0x20 || c == 0x7f || (c == 0xc2 && static_cast<std::uint8_t>(one[1]) < 0xa0);
}

}  // namespace

std::string printable(std::string_view octets) {
  while (!octets.empty() && octets.back() == '\0') octets.remove_suffix(1);
  std::string out;
  while (!octets.empty()) {
    const auto length = sequence(octets);
    const auto one = octets.substr(0, length ? length : 1);
    out += length && !is_control(one) ? one : std::string_view("\xef\xbf\xbd");
    octets.remove_prefix(one.size());
  }
  return out;
}

std::string printable(Octets octets) {
  return printable(std::string_view(reinterpret_cast<const char*>(octets.data()), octets.size()));
}

std::string octet_pairs(Octets octets) {
  static constexpr char digits[] = "0123456789abcdef";
  std::string out;
  for (const auto octet : octets) {
    if (!out.empty()) out += ':';
    out += digits[octet >> 4];
    out += digits[octet & 15];
  }
  return out;
}

std::string printable_or_pairs(Octets octets) {
  auto text = printable(octets);
  return text.find("\xef\xbf\xbd") == std::string::npos ? text : octet_pairs(octets);
}

}  // namespace tallywire::wire
