// Base64 (RFC 4648 §4).
#pragma once

#include "probes/wire/octets.hpp"

#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace tallywire::wire {

std::string encode_base64(Octets octets);
std::string encode_base64(std::string_view text);
// None for a character or a length that does not belong; missing padding is taken.
std::optional<std::vector<std::uint8_t>> decode_base64(std::string_view text);

std::string to_hex(Octets octets);  // lower case

}  // namespace tallywire::wire
