// LLDP (IEEE 802.1AB) with the MAC/PHY and power TLVs of IEEE 802.3 §79.3, in all three power lengths.
#pragma once

#include "probes/wire/octets.hpp"

#include <cstdint>
#include <optional>
#include <string>

namespace tallywire::wire {

struct LldpMacPhy {
  bool negotiation_supported = false;
  bool negotiation_enabled = false;
  std::uint16_t advertised = 0;  // bits from the most significant one: 0x8000 other, 0x0001 1000BASE-T full
  std::uint16_t mau_type = 0;    // IANA-MAU-MIB
};

struct LldpPower {
  bool is_source = false;        // PSE; else the unit (PD)
  bool supported = false;
  bool enabled = false;
  std::uint8_t power_class = 0;  // 0 to 4: the wire carries class + 1
  std::optional<double> requested_w;   // from 12 octets on
  std::optional<double> allocated_w;
  std::optional<std::uint8_t> extended_class;  // 29 octets; 15 is dual signature
  std::optional<double> maximum_w;
};

struct LldpNeighbour {
  std::string chassis_id;  // readable: addresses as text
  std::string port_id;
  std::uint16_t time_to_live_s = 0;
  std::string port_description;
  std::string system_name;
  std::string system_description;
  std::optional<std::uint16_t> capabilities;
  std::optional<std::uint16_t> enabled_capabilities;
  std::string management_address;
  std::optional<LldpMacPhy> mac_phy;
  std::optional<LldpPower> power;
};

// The payload of a frame of type 0x88cc. None when a mandatory TLV is missing or a length does not fit.
std::optional<LldpNeighbour> decode_lldp(Octets payload);

}  // namespace tallywire::wire
