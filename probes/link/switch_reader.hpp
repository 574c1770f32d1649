// A switch by SNMP, with the standard MIBs only: ports, learnt addresses, power, neighbours, chassis. A table that it
// lacks is unread for that table alone.
#pragma once

#include "probes/link/snmp_session.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json_fwd.hpp>

#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::link {

// POWER-ETHERNET-MIB (RFC 3621), one port of a power supply. Watts are not in it.
struct PortPower {
  std::uint32_t group = 0, port = 0;                 // as the supply counts: not ifIndex
  std::optional<bool> enabled;
  std::optional<std::string> state;                  // "disabled", "searching", "delivering power", "fault", …
  std::optional<int> power_class;                    // 0 to 4, while power is delivered; 4 also stands for 5 to 8
  std::optional<std::string> priority;               // "critical", "high", "low"
  std::optional<std::string> pairs;                  // "signal", "spare"
  std::optional<std::uint64_t> absent, invalid_signatures, denied, overloads, shorts;  // counters
};

// What the unit at a port said by LLDP of its power (802.3 extension), watts at the unit.
struct ToldPower {
  std::optional<bool> is_source;
  std::optional<int> power_class;                    // 0 to 4
  std::optional<double> requested_w, allocated_w;    // where the agent has the columns of 802.3at
};

struct LearntAddress {
  std::string hardware_address;
  std::vector<std::uint32_t> vlans;                  // empty when the switch does not tell
};

struct SwitchPort {
  std::uint32_t index = 0;                           // ifIndex
  std::uint32_t type = 0;                            // ifType: 6 is Ethernet
  std::string name;                                  // ifName, else ifDescr
  std::string alias;
  std::string hardware_address;                      // its own (ifPhysAddress); may be empty
  std::optional<std::string> admin_state;            // "up", "down", "testing" (ifAdminStatus)
  std::optional<std::string> link_state;             // "up", "down", … (ifOperStatus)
  std::optional<double> last_change_s;               // sysUpTime of the last change of state (ifLastChange)
  std::optional<std::uint64_t> link_speed_bps;       // ifHighSpeed, else ifSpeed below its top
  std::optional<std::string> duplex;                 // EtherLike-MIB, else by the MAU type
  std::optional<std::string> runs;                   // "1000BASE-T" (ifMauType)
  std::optional<std::string> negotiation;            // "on", "off" (ifMauAutoNegAdminStatus)
  std::vector<std::string> own_modes, peer_modes;    // what both ends offer, by the kernel's names
  std::optional<std::uint64_t> in_octets, out_octets;
  bool in_octets_are_64_bit = false, out_octets_are_64_bit = false;  // ifHCInOctets, ifHCOutOctets
  std::optional<std::uint64_t> in_packets;           // 64 bits: unicast, multicast and broadcast
  std::optional<std::uint64_t> in_errors, out_errors, in_discards, out_discards;
  std::optional<std::uint64_t> fcs_errors, alignment_errors, late_collisions, symbol_errors;
  std::uint64_t discontinuity = 0;                   // ifCounterDiscontinuityTime
  std::optional<std::uint32_t> vlan;                 // untagged (dot1qPvid)
  std::optional<PortPower> power;
  ToldPower told_power;
  std::vector<LearntAddress> learnt;                 // learnt only: its own and entered ones are left out
  // What hangs there: "switch" (a neighbour that bridges), "many" addresses, "unit" (most_of_a_unit or fewer),
  // "unknown".
  std::string leads_to = "unknown";
  static constexpr std::size_t most_of_a_unit = 4;   // common practice: a unit may have some addresses of its own
};

struct SwitchNeighbour {
  std::string local_port;                            // the switch's name of its port
  std::string local_rule;                            // by what the port was found: "name", "alias", "hardware address", …
  std::optional<std::uint32_t> index;                // ifIndex of the local port
  std::string chassis_id, port_id, port_description, system_name, system_description;
  std::optional<bool> bridges, routes;               // capabilities that are enabled
  std::vector<std::string> management_addresses;
  std::optional<std::string> runs;                   // operational MAU type
  std::optional<bool> negotiation_supported, negotiation_enabled;
  std::vector<std::string> modes;                    // what it offers
};

// A power supply for the ports of a group (pethMainPseTable); whole watts.
struct PowerSupply {
  std::uint32_t group = 0;
  std::optional<double> power_w, consumed_w;
  std::optional<std::string> state;                  // "on", "off", "faulty"
  std::optional<double> threshold_ratio;             // of the power: above it the switch warns
};

struct Chassis {
  std::string name, description, model, serial, software, firmware;
};

struct SwitchReport {
  std::string address;
  std::string sys_name;
  std::string sys_descr;
  double sys_uptime_s = 0;
  SystemTime when{};
  std::vector<SwitchPort> ports;
  std::vector<SwitchNeighbour> neighbours;
  std::vector<PowerSupply> supplies;
  std::vector<Chassis> chassis;
  std::string power_rule;                            // how power ports were taken for interfaces; empty: there are none
  std::optional<double> learnt_for_s;                // dot1dTpAgingTime: addresses silent for longer are forgotten
  double read_s = 0;                                 // how long the reading took
  std::size_t messages = 0;                          // that it took
  std::map<std::string, std::string> unread;         // table -> reason
};

// Blocks for at most `limit`. A Fault when the switch itself does not answer.
Outcome<SwitchReport> read_switch(const SwitchAccess& access, std::chrono::milliseconds limit);

// What a port did between two looks.
struct PortRate {
  double in_bps = 0, out_bps = 0;
  double over_s = 0;
  std::uint64_t new_errors = 0;                      // ifInErrors and ifOutErrors
  // Each only where both looks have it.
  std::optional<std::uint64_t> in_errors, out_errors, in_discards, out_discards;
  std::optional<std::uint64_t> in_packets, fcs_errors, alignment_errors, late_collisions, symbol_errors;
  std::optional<std::uint64_t> power_denied, power_overloads, power_shorts, power_invalid_signatures;
};
// Between two looks, by name; where names repeat, by "name (ifIndex n)". Ports whose counters started anew
// (discontinuity time, a restart of the switch) are left out. A 32-bit counter may wrap once
// (RFC 2863 §3.1.6): without a known speed, or with time enough for a second wrap at that speed, it is left out.
std::map<std::string, PortRate> difference(const SwitchReport& before, const SwitchReport& after);
// Ports, keyed alike, whose counters started anew between the looks, with the reason.
std::map<std::string, std::string> restarted_counters(const SwitchReport& before, const SwitchReport& after);

// What the switch tells of a port, subject as given; unread with the reason where it does not. With `load` its
// in_load_ratio and out_load_ratio; with `counts`, which may go further back and is `load` when left out, what counted up:
// new_in_errors, new_out_discards, new_fcs_errors, new_late_collisions, …
std::vector<Reading> to_readings(const SwitchReport& report, const SwitchPort& port, const std::string& subject,
                                 const PortRate* load = nullptr, const PortRate* counts = nullptr);
// Of the switch itself: power_budget_w, power_drawn_w.
std::vector<Reading> to_readings(const SwitchReport& report, const std::string& subject);

void to_json(nlohmann::json& out, const SwitchReport& report);
void to_json(nlohmann::json& out, const PortRate& rate);

}  // namespace tallywire::link
