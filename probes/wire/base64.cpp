#include "probes/wire/base64.hpp"

namespace tallywire::wire {
namespace {

constexpr std::string_view alphabet =
    "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

}  // namespace

std::string encode_base64(Octets octets) {
  std::string out;
  out.reserve((octets.size() + 2) / 3 * 4);
  for (std::size_t i = 0; i < octets.size(); i += 3) {
    const std::size_t left = octets.size() - i;
    const std::uint32_t group = std::uint32_t{octets[i]} << 16 |
                                (left > 1 ? std::uint32_t{octets[i + 1]} << 8 : 0) |
                                (left > 2 ? std::uint32_t{octets[i + 2]} : 0);
    out += alphabet[group >> 18];
    out += alphabet[group >> 12 & 63];
    out += left > 1 ? alphabet[group >> 6 & 63] : '=';
    out += left > 2 ? alphabet[group & 63] : '=';
  }
  return out;
}

std::string encode_base64(std::string_view text) {
  const std::vector<std::uint8_t> octets(text.begin(), text.end());
  return encode_base64(Octets(octets));
}

std::optional<std::vector<std::uint8_t>> decode_base64(std::string_view text) {
  while (!text.empty() && text.back() == '=') text.remove_suffix(1);
  if (text.size() % 4 == 1) return std::nullopt;
  std::vector<std::uint8_t> out;
  std::uint32_t group = 0;
  int bits = 0;
  for (const char c : text) {
    const auto value = alphabet.find(c);
    if (value == std::string_view::npos) return std::nullopt;
    group = group << 6 | static_cast<std::uint32_t>(value);
    bits += 6;
    if (bits >= 8) {
      bits -= 8;
      out.push_back(static_cast<std::uint8_t>(group >> bits));
    }
  }
  return out;
}

std::string to_hex(Octets octets) {
  static constexpr char digits[] = "0123456789abcdef";
  std::string out;
  for (const auto octet : octets) {
    out += digits[octet >> 4];
    out += digits[octet & 15];
  }
  return out;
}

}  // namespace tallywire::wire
