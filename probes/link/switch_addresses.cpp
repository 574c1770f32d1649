// Which addresses a switch has learnt on which port: BRIDGE-MIB (RFC 4188) and Q-BRIDGE-MIB (RFC 4363).
#include "probes/link/switch_tables.hpp"
#include "probes/wire/mac_address.hpp"

#include <algorithm>

namespace tallywire::link {
namespace {

const Oid base_port_entry = {1, 3, 6, 1, 2, 1, 17, 1, 4, 1}, fdb_entry = {1, 3, 6, 1, 2, 1, 17, 4, 3, 1},
          q_fdb_entry = {1, 3, 6, 1, 2, 1, 17, 7, 1, 2, 2, 1}, vlan_entry = {1, 3, 6, 1, 2, 1, 17, 7, 1, 4, 2, 1},
          port_vlan_entry = {1, 3, 6, 1, 2, 1, 17, 7, 1, 4, 5, 1};
constexpr std::uint64_t learned = 3;  // dot1dTpFdbStatus, dot1qTpFdbStatus; 4 is the switch itself, 5 entered by hand

using VlansOfFdb = std::map<std::uint32_t, std::vector<std::uint32_t>>;

void add(SwitchPort& port, const std::string& hardware, const std::vector<std::uint32_t>& vlans) {
  auto at = std::find_if(port.learnt.begin(), port.learnt.end(), [&](const LearntAddress& a) { return a.hardware_address == hardware; });
  if (at == port.learnt.end()) at = port.learnt.insert(at, {hardware, {}});
  for (const auto vlan : vlans)
    if (std::find(at->vlans.begin(), at->vlans.end(), vlan) == at->vlans.end()) at->vlans.push_back(vlan);
}

// `prefix`: how many numbers stand before the six octets of the address in the index: none, or the filtering database.
void take_addresses(SwitchTables& tables, const Table& table, std::size_t prefix, const VlansOfFdb& vlans_of) {
  for (const auto& [index, row] : table) {
    const auto bridge_port = row.number(2);
    if (index.size() != prefix + 6 || !bridge_port || row.number(3).value_or(learned) != learned) continue;
    const auto interface = tables.interface_of(static_cast<std::uint32_t>(*bridge_port));
    auto* const port = interface ? tables.port(*interface) : nullptr;
    if (!port) continue;
    wire::MacAddress mac;
    for (std::size_t i = 0; i < 6; ++i) mac.octets[i] = static_cast<std::uint8_t>(index[prefix + i]);
    const auto vlans = prefix == 1 ? vlans_of.find(index[0]) : vlans_of.end();
    add(*port, mac.text(), vlans == vlans_of.end() ? std::vector<std::uint32_t>() : vlans->second);
  }
}

}  // namespace

void read_addresses(SwitchTables& tables) {
  const std::size_t rows = tables.report.ports.size();
  for (const auto& [index, row] : tables.read(base_port_entry, {2}, rows, "learnt_addresses", "the switch has no BRIDGE-MIB"))
    if (index.size() == 1) tables.bridge_ports[index[0]] = static_cast<std::uint32_t>(row.number(2).value_or(0));
  if (tables.bridge_ports.empty()) return;
  const auto plain = tables.read(fdb_entry, {2, 3}, 0, "learnt_addresses", "");
  const auto by_vlan = tables.read(q_fdb_entry, {2, 3}, 0, "q_bridge_mib", "the switch has no Q-BRIDGE-MIB: of no address is the VLAN known");
  // The filtering database is not the VLAN on every switch: this table joins them (index: time mark, VLAN).
  VlansOfFdb vlans_of;
  for (const auto& [index, row] : tables.read(vlan_entry, {3}, 0, "vlans", by_vlan.empty() ? "" : "the switch does not tell which VLAN a learnt address is in"))
    if (const auto fdb = row.number(3); fdb && index.size() == 2) vlans_of[static_cast<std::uint32_t>(*fdb)].push_back(index[1]);
  take_addresses(tables, plain, 0, vlans_of);
  take_addresses(tables, by_vlan, 1, vlans_of);
  if (plain.empty() && by_vlan.empty()) tables.report.unread.try_emplace("learnt_addresses", "the switch shows no learnt addresses");
  for (const auto& [index, row] : tables.read(port_vlan_entry, {1}, rows, "port_vlans", "")) {
    const auto interface = index.size() == 1 ? tables.interface_of(index[0]) : std::nullopt;
    if (auto* port = interface ? tables.port(*interface) : nullptr)
      if (const auto vlan = row.number(1)) port->vlan = static_cast<std::uint32_t>(*vlan);
  }
}

}  // namespace tallywire::link
