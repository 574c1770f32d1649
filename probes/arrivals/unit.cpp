#include "probes/arrivals/unit.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <array>

namespace tallywire::arrivals {

const char* name_of(Source source) {
  static constexpr std::array<const char*, 7> names = {"ARP",  "DHCP", "IPv6 neighbour discovery", "IPv6 listener report",
                                                       "mDNS", "WS-Discovery", "LLDP"};
  return names[static_cast<std::size_t>(source)];
}

const char* name_of(What what) {
  static constexpr std::array<const char*, 22> names = {
      "ipv4_address", "wanted_ipv4_address", "ipv6_address", "wanted_ipv6_address", "host_name", "vendor_class", "asked_options", "serial",
      "maker_told", "model", "hardware_revision", "firmware", "given_name", "location", "description", "endpoint", "device_type", "service",
      "service_address", "group", "relay_port", "asked_power_w"};
  return names[static_cast<std::size_t>(what)];
}

const Fact* Unit::find(What what) const {
  const Fact* newest = nullptr;
  for (const auto& fact : facts)
    if (fact.what == what && (!newest || fact.last_heard >= newest->last_heard)) newest = &fact;
  return newest;
}

std::string Unit::value_of(What what) const {
  const auto* fact = find(what);
  return fact ? fact->value : std::string();
}

std::string Unit::name() const { return hardware_addresses.empty() ? value_of(What::endpoint) : hardware_addresses.front().text(); }

void to_json(nlohmann::json& out, const Unit& u) {
  nlohmann::json facts = nlohmann::json::array(), starts = nlohmann::json::array(), addresses = nlohmann::json::array();
  for (const auto& f : u.facts)
    facts.push_back({{"fact", name_of(f.what)},
                     {"value", f.value},
                     {"source", name_of(f.source)},
                     {"first_heard", to_rfc3339(f.first_heard)},
                     {"last_heard", to_rfc3339(f.last_heard)}});
  for (const auto when : u.starts) starts.push_back(to_rfc3339(when));
  for (const auto& address : u.hardware_addresses) addresses.push_back(address.text());
  out = {{"unit", u.name()},
         {"hardware_addresses", addresses},
         {"maker", u.maker.empty() ? nlohmann::json() : nlohmann::json(u.maker)},
         {"interface", u.interface},
         {"vlans", u.vlans},
         {"first_heard", to_rfc3339(u.first_heard)},
         {"last_heard", to_rfc3339(u.last_heard)},
         {"said_goodbye", u.said_goodbye},
         {"is_network", u.is_network},
         {"serves_dhcp", u.serves_dhcp},
         {"frames", u.frames},
         {"starts", starts},
         {"facts", facts}};
}

void to_json(nlohmann::json& out, const DhcpServer& s) {
  const auto told = [](const std::string& text) { return text.empty() ? nlohmann::json() : nlohmann::json(text); };
  out = {{"address", s.address},
         {"hardware_address", told(s.hardware_address)},
         {"interface", s.interface},
         {"vlans", s.vlans},
         {"subnet_mask", told(s.subnet_mask)},
         {"first_heard", to_rfc3339(s.first_heard)},
         {"last_heard", to_rfc3339(s.last_heard)},
         {"through_relay", s.through_relay}};
}

}  // namespace tallywire::arrivals
