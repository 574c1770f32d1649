// This machine's own port, by ethtool netlink and sysfs; no program is run. Blocks for at most some seconds.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json_fwd.hpp>

#include <cstdint>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <vector>

namespace tallywire::link {

struct PortReport {
  std::string interface;
  std::optional<std::string> hardware_address;
  std::optional<std::string> link_state;            // "up", "down"
  std::optional<std::uint64_t> link_speed_bps;
  std::optional<std::string> duplex;                // "full", "half"
  std::optional<std::string> negotiation;           // "on", "off"
  std::vector<std::string> own_modes;               // what this end offers: "1000baseT/Full"
  std::vector<std::string> peer_modes;              // what the other end offers, where it is told
  std::optional<std::uint64_t> mtu_bytes;
  std::string peer_modes_source;                    // "ethtool netlink", "LLDP"; empty when they are not told
  std::optional<std::uint64_t> offered_speed_bps;   // the fastest that both ends offer
  std::optional<std::uint64_t> link_downs;          // since the interface was made
  // Octets, packets and errors as the kernel names them; and fcs_errors, alignment_errors, late_collisions, symbol_errors
  // as the standard does, from the driver's own count (ethtool, group eth-mac or eth-phy) where it keeps one.
  std::map<std::string, std::uint64_t> counters;
  std::map<std::string, std::string> counter_sources;
  SystemTime when{};
  std::map<std::string, std::string> unread;        // field -> reason
};

// The groups of an answer to ETHTOOL_MSG_STATS_GET, as (name, group) -> value. Pure.
std::map<std::string, std::pair<std::string, std::uint64_t>> driver_counters(
    const std::vector<std::pair<std::uint16_t, std::span<const std::uint8_t>>>& attributes);

// A Fault of kind bad_request when there is no such interface.
Outcome<PortReport> read_port(const std::string& interface);
// What the neighbour says by LLDP that it offers, where the driver does not tell.
void take_neighbours_offer(PortReport& port, const std::vector<std::string>& modes);
// Names of every interface that is an Ethernet port, loopback left out.
std::vector<std::string> list_ports();

// link_speed_bps, duplex, negotiation, offered_speed_bps, and with an earlier look what counted up since: new_fcs_errors, …
std::vector<Reading> to_readings(const PortReport& report, const std::string& subject, const PortReport* earlier = nullptr);

void to_json(nlohmann::json& out, const PortReport& report);

}  // namespace tallywire::link
