// Ethernet frames with any number of stacked VLAN tags (IEEE 802.3, 802.1Q).
#pragma once

#include "probes/wire/mac_address.hpp"
#include "probes/wire/octets.hpp"

#include <cstdint>
#include <optional>
#include <vector>

namespace tallywire::wire {

inline constexpr std::uint16_t ether_type_arp = 0x0806;
inline constexpr std::uint16_t ether_type_lldp = 0x88cc;

struct EthernetFrame {
  MacAddress destination;
  MacAddress source;
  std::vector<std::uint16_t> vlans;  // outermost first
  std::uint16_t ether_type = 0;
  Octets payload;                    // with padding; a view
};

// None when it is cut short, or has more than four tags.
std::optional<EthernetFrame> decode_ethernet(Octets frame);

}  // namespace tallywire::wire
