// A switch by SNMP, with the standard MIBs only: ports, learnt addresses, power, neighbours. A table that it
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

struct SwitchPort {
  std::uint32_t index = 0;                           // ifIndex
  std::string name;                                  // ifName, else ifDescr
  std::string alias;
  std::optional<std::string> link_state;             // "up", "down", … (ifOperStatus)
  std::optional<std::uint64_t> link_speed_bps;       // ifHighSpeed, else ifSpeed below its top
  std::optional<std::string> duplex;                 // EtherLike-MIB
  std::optional<std::uint64_t> in_octets, out_octets;
  bool in_octets_are_64_bit = false, out_octets_are_64_bit = false;  // ifHCInOctets, ifHCOutOctets
  std::optional<std::uint64_t> in_errors, out_errors, in_discards, out_discards, fcs_errors;
  std::uint64_t discontinuity = 0;                   // ifCounterDiscontinuityTime
  std::optional<int> power_class;                    // RFC 3621: 0 to 4, while power is delivered
  std::optional<std::string> power_state;
  std::vector<std::string> learnt_addresses;
};

struct SwitchNeighbour {
  std::string local_port;
  std::string chassis_id;
  std::string port_id;
  std::string system_name;
};

struct SwitchReport {
  std::string address;
  std::string sys_name;
  std::string sys_descr;
  double sys_uptime_s = 0;
  SystemTime when{};
  std::vector<SwitchPort> ports;
  std::vector<SwitchNeighbour> neighbours;
  std::map<std::string, std::string> unread;         // table -> reason
};

// Blocks for at most `limit`. A Fault when the switch itself does not answer.
Outcome<SwitchReport> read_switch(const SwitchAccess& access, std::chrono::milliseconds limit);

struct PortRate {
  double in_bps = 0, out_bps = 0;
  std::uint64_t new_errors = 0;
};
// Load of each port between two looks, by name; where names repeat, by "name (ifIndex n)". Ports whose counters
// started anew (discontinuity time, a restart of the switch) are left out. A 32-bit counter may wrap once
// (RFC 2863 §3.1.6): without a known speed, or with time enough for a second wrap at that speed, it is left out.
std::map<std::string, PortRate> difference(const SwitchReport& before, const SwitchReport& after);

// link_state, link_speed_bps, duplex, in_errors, fcs_errors, power_class of a port.
std::vector<Reading> to_readings(const SwitchReport& report, const SwitchPort& port, const std::string& subject);

void to_json(nlohmann::json& out, const SwitchReport& report);

}  // namespace tallywire::link
