// One unit as the wire shows it: everything that was heard of it, and where each fact came from.
#pragma once

#include "probes/reading.hpp"
#include "probes/wire/mac_address.hpp"

#include <nlohmann/json_fwd.hpp>

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::arrivals {

enum class Source : std::uint8_t { arp, dhcp, neighbour_discovery, listener_report, mdns, ws_discovery, lldp };
const char* name_of(Source source);  // "ARP", "DHCP", …

enum class What : std::uint8_t {
  ipv4_address,         // it says that it owns it, or a DHCP server gave it
  wanted_ipv4_address,  // it asked whether somebody else has it, or asked a DHCP server for it
  ipv6_address,
  wanted_ipv6_address,
  host_name,
  vendor_class,         // DHCP option 60
  asked_options,        // DHCP option 55, as numbers
  serial,
  maker_told,
  model,
  hardware_revision,
  firmware,
  given_name,           // what people called it: scope "name", LLDP system name
  location,
  description,
  endpoint,             // WS-Discovery: "urn:uuid:…"
  device_type,
  service,              // DNS-SD: "_rtsp._tcp 554 Head 1"
  service_address,      // WS-Discovery XAddrs: where it answers ONVIF
  group,                // multicast group that it joined
  relay_port,           // DHCP option 82: remote and circuit, as the switch named them
  asked_power_w,        // LLDP power TLV
};
const char* name_of(What what);  // "ipv4_address"

struct Fact {
  What what{};
  std::string value;      // printable
  Source source{};
  SystemTime first_heard{}, last_heard{};
  SystemTime since{};     // begin of the stretch without a pause of fact_pause in which it has been heard
};
inline constexpr std::chrono::minutes fact_pause{5};

// Where a unit was heard. One frame may come in at several: two interfaces of this machine on one segment.
struct Place {
  std::string interface;
  std::vector<std::uint16_t> vlans;  // outermost first
  bool operator==(const Place&) const = default;
};

struct Unit {
  std::uint64_t number = 0;                          // counts up; never used twice
  std::vector<wire::MacAddress> hardware_addresses;  // none: it spoke through a router, and is known by its endpoint
  std::string maker;                                 // of the first of them by the IEEE's list; may be empty
  std::string interface;                             // where it was heard last
  std::vector<std::uint16_t> vlans;                  // tags of its last frame, outermost first
  std::vector<Place> places;                         // each once, at most UnitTable::most_places, the newest kept
  SystemTime first_heard{}, last_heard{};
  bool said_goodbye = false;                         // WS-Discovery Bye, and nothing since
  bool is_network = false;                           // LLDP: it bridges or routes; or it advertises itself as a router
  bool serves_dhcp = false;
  std::vector<Fact> facts;                           // newest value of a kind last
  std::vector<SystemTime> starts;                    // signs of having been powered or restarted, oldest first
  std::uint64_t frames = 0;

  // The newest value of a kind; null when nothing told it. The view lives as long as the unit is not changed.
  const Fact* find(What what) const;
  std::string value_of(What what) const;             // empty when nothing told it
  std::string name() const;                          // hardware address, else endpoint
};

struct DhcpServer {
  std::string address;           // option 54
  std::string hardware_address;  // of its frames; empty while only clients named it
  std::string interface;
  std::vector<std::uint16_t> vlans;
  std::string subnet_mask;       // as it gave it; may be empty
  SystemTime first_heard{}, last_heard{};
  bool through_relay = false;    // its answers came by way of a relay (RFC 2131 §4.1): it is elsewhere
};

void to_json(nlohmann::json& out, const Unit& unit);
void to_json(nlohmann::json& out, const DhcpServer& server);

}  // namespace tallywire::arrivals
