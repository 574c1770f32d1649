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
inline constexpr std::uint16_t ether_type_vlan = 0x8100;  // IEEE 802.1Q

// IEEE 802.1Q, 802.1ad, and the older numbers of stacked tags (common practice).
constexpr bool is_vlan_type(std::uint16_t ether_type) {
  return ether_type == ether_type_vlan || ether_type == 0x88a8 || ether_type == 0x9100 || ether_type == 0x9200;
}
inline constexpr std::size_t most_vlan_tags = 8;

struct EthernetFrame {
  MacAddress destination;
  MacAddress source;
  std::vector<std::uint16_t> vlans;  // outermost first
  std::uint16_t ether_type = 0;
  Octets payload;                    // with padding; a view
};

// None when it is cut short, or has more than eight tags.
std::optional<EthernetFrame> decode_ethernet(Octets frame);

}  // namespace tallywire::wire
