// What runs on a link and what its ends offer, from MAU-MIB (RFC 4836), the LLDP-MIB's 802.3 extension and the kernel's
// names of link modes. Pure.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace tallywire::link {

struct MauType {
  std::uint32_t number;      // dot3MauType, IANA-MAU-MIB
  const char* name;          // "1000BASE-T"
  std::uint64_t speed_bps;
  const char* duplex;        // "full", "half"; empty when the type does not say
};
// Null when the number is not one of the types that cameras, switches and their uplinks run.
const MauType* mau_type(std::uint32_t number);

// The bits of ifMauAutoNegCap…Bits and lldpXdot3…AutoNegAdvertisedCap (IANAifMauAutoNegCapBits), counted from the most
// significant bit of the first octet, as link modes by the kernel's names: "1000baseT/Full". Pause bits are no modes.
std::vector<std::string> modes_of_capability_bits(std::span<const std::uint8_t> bits);

// Of a link mode by the kernel's name, as of `ethtool`: "2500baseT/Full" is 2.5 Gbit/s; none for "Autoneg", "Pause", "TP".
std::optional<std::uint64_t> speed_of_mode(std::string_view mode);
// The fastest speed that both ends offer. None when either offers nothing that is known.
std::optional<std::uint64_t> fastest_common_bps(const std::vector<std::string>& one, const std::vector<std::string>& other);

}  // namespace tallywire::link
