#include "daemon/round/seen_units.hpp"

#include <nlohmann/json.hpp>

namespace tallywire::round {
namespace {

using arrivals::What;

std::string name_of_unit(const arrivals::Unit& unit) {
  for (const auto what : {What::given_name, What::host_name, What::model, What::vendor_class})
    if (auto value = unit.value_of(what); !value.empty()) return value;
  return unit.hardware_addresses.empty() ? unit.value_of(What::endpoint) : "";
}

// The newest; but one that it gave itself (RFC 3927) only when it is heard with no other.
std::string address_of(const arrivals::Unit& unit) {
  const arrivals::Fact *newest = nullptr, *other = nullptr;
  for (const auto& fact : unit.facts) {
    if (fact.what != What::ipv4_address) continue;
    if (!newest || fact.last_heard >= newest->last_heard) newest = &fact;
    if (!fact.value.starts_with("169.254.") && (!other || fact.last_heard >= other->last_heard)) other = &fact;
  }
  if (!newest) return "";
  return other && newest->last_heard - other->last_heard < arrivals::fact_pause ? other->value : newest->value;
}

std::string where(const std::string& interface, const std::vector<std::uint16_t>& vlans) {
  std::string out = interface;
  for (const auto vlan : vlans) out += " VLAN " + std::to_string(vlan);
  return out;
}

// The same address may have been told by several protocols; what was told long before is another stay.
void claim(std::vector<verdict::ClaimedAddress>& out, const arrivals::Fact& fact) {
  for (auto& have : out)
    if (have.address == fact.value) {
      const bool is_apart = fact.since > have.last_heard + arrivals::fact_pause || have.since > fact.last_heard + arrivals::fact_pause;
      have.since = is_apart ? std::max(have.since, fact.since) : std::min(have.since, fact.since);
      have.last_heard = std::max(have.last_heard, fact.last_heard);
      return;
    }
  out.push_back({fact.value, fact.since, fact.last_heard});
}

}  // namespace

Sight sight_of(const arrivals::Unit& unit, const Placed& placed) {
  Sight out;
  if (!unit.hardware_addresses.empty()) out.hardware_address = unit.hardware_addresses.front().text();
  for (std::size_t i = 1; i < unit.hardware_addresses.size(); ++i) out.other_hardware_addresses.push_back(unit.hardware_addresses[i].text());
  out.address = address_of(unit);
  if (out.address.empty()) out.address = unit.value_of(What::ipv6_address);
  out.when = unit.last_heard;
  out.serial = unit.value_of(What::serial);
  out.name = name_of_unit(unit);
  out.maker = unit.maker;
  out.is_network = unit.is_network;
  out.interface = unit.interface;
  out.vlans = unit.vlans;
  if (placed) out.seen_on = placed(out.hardware_address);
  return out;
}

verdict::Arrivals arrivals_of(const arrivals::UnitTable& table, const Roll* roll, const Placed& placed) {
  verdict::Arrivals out;
  for (const auto& unit : table.units()) {
    if (unit.number == 0) continue;
    const auto sight = sight_of(unit, placed);
    const auto [entry, by] = roll ? roll->match(sight) : std::pair<const Entry*, MatchedBy>{nullptr, MatchedBy::nothing};
    verdict::SeenUnit seen;
    seen.name = unit.name();
    if (entry) seen.camera = entry->camera;
    seen.matched_by = name_of(by);
    for (const auto& address : unit.hardware_addresses) seen.hardware_addresses.push_back(address.text());
    seen.serial = sight.serial;
    seen.endpoint = unit.value_of(What::endpoint);
    seen.seen_on = sight.seen_on;
    for (const auto& place : unit.places) seen.places.push_back(where(place.interface, place.vlans));
    // A switch names where it is managed, which may be elsewhere.
    for (const auto& fact : unit.facts)
      if (fact.what == What::ipv4_address && !(unit.is_network && fact.source == arrivals::Source::lldp)) claim(seen.addresses, fact);
    seen.starts = unit.starts;
    seen.last_heard = unit.last_heard;
    seen.is_network = !entry && (unit.is_network || unit.serves_dhcp || (roll && roll->is_infrastructure(sight.hardware_address)));
    out.units.push_back(std::move(seen));
  }
  for (const auto& server : table.dhcp_servers())
    out.dhcp_servers.push_back({server.address, server.hardware_address, where(server.interface, server.vlans), server.subnet_mask, server.first_heard, server.last_heard,
                                server.through_relay});
  return out;
}

nlohmann::json unit_json(const arrivals::Unit& unit, const Roll* roll, const Placed& placed) {
  nlohmann::json one = unit;
  const auto sight = sight_of(unit, placed);
  const auto [entry, by] = roll ? roll->match(sight) : std::pair<const Entry*, MatchedBy>{nullptr, MatchedBy::nothing};
  if (roll && roll->is_infrastructure(sight.hardware_address)) one["is_network"] = true;
  one["camera"] = entry ? nlohmann::json(entry->camera) : nlohmann::json();
  one["matched_by"] = entry ? nlohmann::json(name_of(by)) : nlohmann::json();
  one["seen_on"] = sight.seen_on.empty() ? nlohmann::json() : nlohmann::json(sight.seen_on);
  return one;
}

nlohmann::json units_json(const arrivals::UnitTable& table, const Roll* roll, const Placed& placed) {
  nlohmann::json units = nlohmann::json::array();
  for (const auto& unit : table.units())
    if (unit.number != 0) units.push_back(unit_json(unit, roll, placed));
  return {{"units", std::move(units)}, {"dhcp_servers", table.dhcp_servers()}, {"forgotten_units", table.forgotten()}};
}

}  // namespace tallywire::round
