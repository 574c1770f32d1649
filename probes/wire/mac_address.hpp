// A hardware address: six octets, ordered, as text "02:00:5e:10:00:31".
#pragma once

#include <array>
#include <compare>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace tallywire::wire {

struct MacAddress {
  std::array<std::uint8_t, 6> octets{};

  auto operator<=>(const MacAddress&) const = default;
  bool is_group() const { return octets[0] & 1; }
  bool is_zero() const { return *this == MacAddress{}; }
  std::string text() const;
};

// Pairs of hexadecimal digits with colons or dashes, in either case.
std::optional<MacAddress> decode_mac(std::string_view text);

inline constexpr MacAddress broadcast_mac{{0xff, 0xff, 0xff, 0xff, 0xff, 0xff}};

}  // namespace tallywire::wire
