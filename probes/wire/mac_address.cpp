#include "probes/wire/mac_address.hpp"

#include "probes/wire/printable.hpp"

namespace tallywire::wire {

std::string MacAddress::text() const {
  return octet_pairs(octets);
}

std::optional<MacAddress> decode_mac(std::string_view text) {
  if (text.size() != 17) return std::nullopt;
  MacAddress out;
  for (std::size_t i = 0; i < 17; ++i) {
    const char c = text[i];
    if (i % 3 == 2) {
      if (c != ':' && c != '-') return std::nullopt;
      continue;
    }
    int value;
    if (c >= '0' && c <= '9')
      value = c - '0';
    else if (c >= 'a' && c <= 'f')
      value = c - 'a' + 10;
    else if (c >= 'A' && c <= 'F')
      value = c - 'A' + 10;
    else
      return std::nullopt;
    auto& octet = out.octets[i / 3];
    octet = static_cast<std::uint8_t>(octet << 4 | value);
  }
  return out;
}

}  // namespace tallywire::wire
