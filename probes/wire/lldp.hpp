// LLDP frames (IEEE 802.1AB) with the TLVs of 802.3 (clause 79: MAC/PHY, power, aggregation, frame size), 802.1 (VLANs) and
// LLDP-MED (ANSI/TIA-1057: inventory, power). Power in watts; octets and bits as the standards count them. No I/O.
#pragma once

#include "probes/wire/octets.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::wire {

struct LldpMacPhy {
  bool negotiation_supported = false;
  bool negotiation_enabled = false;
  std::uint16_t advertised = 0;  // bits from the most significant one: 0x8000 other, 0x0001 1000BASE-T full
  std::uint16_t mau_type = 0;    // IANA-MAU-MIB
  bool operator==(const LldpMacPhy&) const = default;
};

// What a TLV of 29 octets adds (IEEE 802.3bt §79.3.2). Numbers as on the wire; 0 where the sender has nothing to say.
struct LldpPowerExtension {
  double requested_a_w = 0, requested_b_w = 0;  // by a dual-signature unit, on each mode
  double allocated_a_w = 0, allocated_b_w = 0;  // to it, on each alternative
  std::uint8_t powering = 0;                    // PSE: 1 two pairs, 2 four pairs single signature, 3 four pairs dual signature
  std::uint8_t powered = 0;                     // PD: 1 single signature, 2 dual on two pairs, 3 dual on four pairs
  std::uint8_t pairs = 0;                       // 1 alternative A, 2 alternative B, 3 both
  std::uint8_t class_a = 0, class_b = 0;        // 1 to 5 of a dual-signature unit; 7: single signature, or two pairs only
  std::uint8_t type = 0;                        // 0, 1: PSE of type 3, 4; 2, 3: PD of type 3 single, dual signature; 4, 5: of type 4
  bool isolated = false;                        // the two modes of a dual-signature unit have separate loads
  bool autoclass_supported = false, autoclass_done = false, autoclass_asked = false;
  std::uint8_t power_down = 0;                  // 0x1d: the unit asks to be switched off
  std::uint32_t power_down_s = 0;               // for how long; 0: for good
  bool operator==(const LldpPowerExtension&) const = default;
};

struct LldpPower {
  bool is_source = false;                      // PSE; else the unit (PD)
  bool supported = false;                      // of a PSE, as the next two
  bool enabled = false;
  bool pairs_selectable = false;
  std::uint8_t pairs = 0;                      // 1 signal, 2 spare
  std::optional<std::uint8_t> power_class;     // 0 to 4: the wire carries class + 1; none for any other number
  // From 12 octets on (IEEE 802.3at).
  std::optional<std::uint8_t> type;            // 1 or 2; what is of type 3 and 4 says 2 here
  bool type_is_source = false;                 // the type is a PSE's: should be is_source again
  std::optional<std::uint8_t> source;          // of a PSE: 1 primary, 2 backup; of a PD: 1 PSE, 2 local, 3 both; 0 unknown
  std::optional<std::uint8_t> priority;        // 1 critical, 2 high, 3 low; 0 unknown
  bool takes_both_modes = false;               // PD 4PID (802.3bt)
  std::optional<double> requested_w;
  std::optional<double> allocated_w;
  // From 29 octets on (IEEE 802.3bt).
  std::optional<std::uint8_t> extended_class;  // 1 to 8; 15 is dual signature
  std::optional<double> maximum_w;             // that the PSE can give
  std::optional<LldpPowerExtension> extension;

  // The class that holds: the extended one where it is told, else the old one. None for a dual-signature unit.
  std::optional<std::uint8_t> class_in_force() const;
  // "4-pair powering, single-signature unit of class 6"; empty without an extension, or when it says nothing.
  std::string meaning() const;
  bool operator==(const LldpPower&) const = default;
};

struct LldpAggregation {
  bool capable = false, aggregated = false;
  std::uint32_t port = 0;  // ifIndex of the aggregate; 0: none
  bool operator==(const LldpAggregation&) const = default;
};

struct LldpManagement {
  std::string address;            // readable
  std::uint8_t numbering = 0;     // 1 unknown, 2 ifIndex, 3 system port number
  std::uint32_t interface = 0;
  bool operator==(const LldpManagement&) const = default;
};

struct LldpVlan {
  std::uint16_t id = 0;
  std::string name;
  bool operator==(const LldpVlan&) const = default;
};

struct LldpInventory {
  std::string hardware, firmware, software, serial, manufacturer, model, asset;
  bool operator==(const LldpInventory&) const = default;
};

struct LldpMedPower {
  bool is_source = false;       // PSE
  std::uint8_t source = 0;      // as LldpPower::source
  std::uint8_t priority = 0;    // as LldpPower::priority
  double power_w = 0;
  bool operator==(const LldpMedPower&) const = default;
};

struct LldpNeighbour {
  std::uint8_t chassis_subtype = 0;  // 1 component, 2 ifAlias, 3 port component, 4 MAC, 5 network address, 6 ifName, 7 local
  std::string chassis_id;            // readable: addresses as text, other octets that are no text as pairs, "00:0a"
  std::uint8_t port_subtype = 0;     // 1 ifAlias, 2 component, 3 MAC, 4 network address, 5 ifName, 6 circuit id, 7 local
  std::string port_id;
  std::uint16_t time_to_live_s = 0;  // 0: the sender goes
  std::string port_description;
  std::string system_name;
  std::string system_description;
  std::optional<std::uint16_t> capabilities;          // bits of §8.5.8: 0x04 bridge, 0x10 router, 0x80 station only
  std::optional<std::uint16_t> enabled_capabilities;
  std::string management_address;                     // the first of them
  std::vector<LldpManagement> management;             // at most 16
  std::optional<LldpMacPhy> mac_phy;
  std::optional<LldpPower> power;
  std::optional<LldpAggregation> aggregation;
  std::optional<std::uint16_t> maximum_frame_octets;  // with FCS (802.3 §79.3.4)
  std::optional<std::uint16_t> port_vlan;             // of untagged frames; none when the port has none (0)
  std::vector<LldpVlan> vlans;                        // at most 128
  LldpInventory inventory;
  std::optional<LldpMedPower> med_power;
  bool operator==(const LldpNeighbour&) const = default;
};

// The payload of a frame of type 0x88cc. None when a mandatory TLV is missing, out of order or there twice (§9.2.7.7), or a
// length does not fit. A TLV that is too short for its kind is as if it were not there.
std::optional<LldpNeighbour> decode_lldp(Octets payload);

// An organisation's TLV, from its number (OUI) on. Others than 802.1, 802.3 and LLDP-MED are passed over.
void read_lldp_organisation(Octets value, LldpNeighbour& out);

}  // namespace tallywire::wire
