// Causes that the arrivals themselves point to, before anything is measured: conflicts of who is who, and units that cannot be
// reached or do not stay up. Pure. Ids, causes and next steps are catalogued in docs/findings.md.
#pragma once

#include "config/design.hpp"
#include "daemon/verdict/findings.hpp"

#include <optional>
#include <set>
#include <string>
#include <vector>

namespace tallywire::verdict {

// An IPv4 address that a unit says is its own.
struct ClaimedAddress {
  std::string address;
  SystemTime since{}, last_heard{};  // without a long pause between them
};

// A unit as the wire shows it.
struct SeenUnit {
  std::string name;          // hardware address, or its endpoint behind a router
  std::string camera;        // of the design; empty: a stranger
  std::string matched_by;    // "hardware_address", "serial", "port", "address"
  std::vector<std::string> hardware_addresses;
  std::string serial;        // as it says; may be empty
  std::string seen_on;       // "switch/port"; may be empty
  std::vector<std::string> places = {};  // where it was heard: "eth0", "eth0 VLAN 20"; none: not known
  std::vector<ClaimedAddress> addresses;
  std::vector<SystemTime> starts;
  SystemTime last_heard{};
  bool is_network = false;   // switch or router, or something of the design that is no camera
  std::string endpoint = {};  // WS-Discovery name, "urn:uuid:…"; may be empty
};

struct SeenDhcpServer {
  std::string address, hardware_address, where;  // where: "eth0", "eth0 VLAN 20"
  std::string subnet_mask;                       // as it gave it; may be empty
  SystemTime first_heard{}, last_heard{};
  bool through_relay = false;
};

// An IPv4 address of this machine.
struct OwnAddress {
  std::string interface, address;
  unsigned prefix_bits = 0;
};

struct Arrivals {
  std::vector<SeenUnit> units;
  std::vector<SeenDhcpServer> dhcp_servers;
  std::optional<std::vector<OwnAddress>> own;  // none: it was not this machine that listened, as of a capture file
};

// `at`: the newest moment that the arrivals speak of. The design may be null, as for a capture of an unknown site.
std::vector<Finding> find_arrival_conflicts(const config::Design* design, const Arrivals& arrivals, SystemTime at);

// The address to give this machine for reaching `unit`, as "192.0.2.254/24": free as far as was heard. Without `mask` the prefix is 24
// (for link-local addresses 16, RFC 3927 §2.1), which is a guess. None when `unit` is no IPv4 address.
std::optional<std::string> reach_address(const std::string& unit, const std::string& mask, const std::set<std::string>& taken);

// A unit that starts `restarts_to_tell` times, never with more than this between, does not stay up.
inline constexpr std::size_t restarts_to_tell = 3;
inline constexpr std::chrono::minutes longest_restart_period{15};

}  // namespace tallywire::verdict
