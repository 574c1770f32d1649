#include "probes/link/mau.hpp"

#include <algorithm>
#include <charconv>

namespace tallywire::link {
namespace {

constexpr std::uint64_t mega = 1'000'000;

// IANA-MAU-MIB, dot3MauType 5 to 58, 103 and 104.
constexpr MauType types[] = {
    {5, "10BASE-T", 10 * mega, ""},
    {10, "10BASE-T", 10 * mega, "half"},
    {11, "10BASE-T", 10 * mega, "full"},
    {14, "100BASE-T4", 100 * mega, "half"},
    {15, "100BASE-TX", 100 * mega, "half"},
    {16, "100BASE-TX", 100 * mega, "full"},
    {17, "100BASE-FX", 100 * mega, "half"},
    {18, "100BASE-FX", 100 * mega, "full"},
    {21, "1000BASE-X", 1000 * mega, "half"},
    {22, "1000BASE-X", 1000 * mega, "full"},
    {23, "1000BASE-LX", 1000 * mega, "half"},
    {24, "1000BASE-LX", 1000 * mega, "full"},
    {25, "1000BASE-SX", 1000 * mega, "half"},
    {26, "1000BASE-SX", 1000 * mega, "full"},
    {27, "1000BASE-CX", 1000 * mega, "half"},
    {28, "1000BASE-CX", 1000 * mega, "full"},
    {29, "1000BASE-T", 1000 * mega, "half"},
    {30, "1000BASE-T", 1000 * mega, "full"},
    {31, "10GBASE-X", 10'000 * mega, "full"},
    {33, "10GBASE-R", 10'000 * mega, "full"},
    {34, "10GBASE-ER", 10'000 * mega, "full"},
    {35, "10GBASE-LR", 10'000 * mega, "full"},
    {36, "10GBASE-SR", 10'000 * mega, "full"},
    {41, "10GBASE-CX4", 10'000 * mega, "full"},
    {44, "100BASE-BX10-D", 100 * mega, "full"},
    {45, "100BASE-BX10-U", 100 * mega, "full"},
    {46, "100BASE-LX10", 100 * mega, "full"},
    {47, "1000BASE-BX10-D", 1000 * mega, "full"},
    {48, "1000BASE-BX10-U", 1000 * mega, "full"},
    {49, "1000BASE-LX10", 1000 * mega, "full"},
    {54, "10GBASE-T", 10'000 * mega, "full"},
    {55, "10GBASE-LRM", 10'000 * mega, "full"},
    {56, "1000BASE-KX", 1000 * mega, "full"},
    {57, "10GBASE-KX4", 10'000 * mega, "full"},
    {58, "10GBASE-KR", 10'000 * mega, "full"},
    {103, "2.5GBASE-T", 2500 * mega, "full"},
    {104, "5GBASE-T", 5000 * mega, "full"},
};

// IANAifMauAutoNegCapBits: bit 0 bOther to bit 15 b1000baseTFD; empty: no mode of a link.
constexpr const char* capability_bits[] = {
    "",               "10baseT/Half", "10baseT/Full", "100baseT4/Half",   "100baseT/Half",    "100baseT/Full",  "100baseT2/Half", "100baseT2/Full",
    "",               "",             "",             "",                 "1000baseX/Half",   "1000baseX/Full", "1000baseT/Half", "1000baseT/Full",
};

}  // namespace

const MauType* mau_type(std::uint32_t number) {
  const auto* const at = std::find_if(std::begin(types), std::end(types), [number](const MauType& t) { return t.number == number; });
  return at == std::end(types) ? nullptr : at;
}

std::vector<std::string> modes_of_capability_bits(std::span<const std::uint8_t> bits) {
  std::vector<std::string> out;
  for (std::size_t i = 0; i < std::size(capability_bits) && i / 8 < bits.size(); ++i)
    if ((bits[i / 8] & (0x80u >> (i % 8))) != 0 && *capability_bits[i] != '\0') out.emplace_back(capability_bits[i]);
  return out;
}

std::optional<std::uint64_t> speed_of_mode(std::string_view mode) {
  std::uint64_t mbps = 0;
  const auto [end, error] = std::from_chars(mode.data(), mode.data() + mode.size(), mbps);
  const std::string_view rest(end, static_cast<std::size_t>(mode.data() + mode.size() - end));
  if (error != std::errc() || mbps == 0 || mbps > 10'000'000 || rest.rfind("base", 0) != 0) return std::nullopt;
  return mbps * mega;
}

std::optional<std::uint64_t> fastest_common_bps(const std::vector<std::string>& one, const std::vector<std::string>& other) {
  std::optional<std::uint64_t> out;
  for (const auto& mode : one) {
    const auto speed = speed_of_mode(mode);
    if (!speed || (out && *out >= *speed)) continue;
    if (std::any_of(other.begin(), other.end(), [&](const auto& o) { return speed_of_mode(o) == speed; })) out = speed;
  }
  return out;
}

}  // namespace tallywire::link
