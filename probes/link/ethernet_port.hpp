// This machine's own port, by ethtool netlink and sysfs; no program is run. Blocks for at most some seconds.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json_fwd.hpp>

#include <cstdint>
#include <map>
#include <optional>
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
  std::map<std::string, std::uint64_t> counters;    // octets, packets, errors as the kernel names them
  std::map<std::string, std::string> unread;        // field -> reason
};

// A Fault of kind bad_request when there is no such interface.
Outcome<PortReport> read_port(const std::string& interface);
// Names of every interface that is an Ethernet port, loopback left out.
std::vector<std::string> list_ports();

void to_json(nlohmann::json& out, const PortReport& report);

}  // namespace tallywire::link
