// A switch's power and chassis: POWER-ETHERNET-MIB (RFC 3621) and ENTITY-MIB (RFC 6933).
#include "probes/link/switch_tables.hpp"

#include <algorithm>
#include <set>

namespace tallywire::link {
namespace {

const Oid power_entry = {1, 3, 6, 1, 2, 1, 105, 1, 1, 1}, supply_entry = {1, 3, 6, 1, 2, 1, 105, 1, 3, 1, 1},
          entity_entry = {1, 3, 6, 1, 2, 1, 47, 1, 1, 1, 1}, alias_entry = {1, 3, 6, 1, 2, 1, 47, 1, 3, 2, 1},
          if_index = {1, 3, 6, 1, 2, 1, 2, 2, 1, 1};
constexpr std::uint64_t delivering_power = 3, chassis_class = 3, port_class = 10;
constexpr std::uint32_t ethernet = 6;  // ifType ethernetCsmacd

using PowerPort = std::pair<std::uint32_t, std::uint32_t>;  // group, port

const char* name_of(std::uint64_t value, std::initializer_list<const char*> names) {
  return value >= 1 && value <= names.size() ? names.begin()[value - 1] : "unknown";
}

PortPower port_power(const PowerPort& at, const TableRow& row) {
  PortPower out;
  out.group = at.first;
  out.port = at.second;
  if (const auto v = row.number(3)) out.enabled = *v == 1;
  if (const auto v = row.number(5)) out.pairs = name_of(*v, {"signal", "spare"});
  if (const auto v = row.number(6))
    out.state = name_of(*v, {"disabled", "searching", "delivering power", "fault", "test", "other fault"});
  if (const auto v = row.number(7)) out.priority = name_of(*v, {"critical", "high", "low"});
  // RFC 3621: the value is class + 1 and valid only while power is delivered.
  if (const auto v = row.number(10); v && *v >= 1 && *v <= 5 && row.number(6) == delivering_power)
    out.power_class = static_cast<int>(*v) - 1;
  out.absent = row.number(8);
  out.invalid_signatures = row.number(11);
  out.denied = row.number(12);
  out.overloads = row.number(13);
  out.shorts = row.number(14);
  return out;
}

void read_supplies(SwitchTables& tables) {
  for (const auto& [index, row] : tables.read(supply_entry, {2, 3, 4, 5}, 0, "power_supply", "the switch does not tell its power supply")) {
    PowerSupply out;
    out.group = index.empty() ? 0 : index[0];
    if (const auto v = row.number(2)) out.power_w = static_cast<double>(*v);
    if (const auto v = row.number(3)) out.state = name_of(*v, {"on", "off", "faulty"});
    if (const auto v = row.number(4)) out.consumed_w = static_cast<double>(*v);
    if (const auto v = row.number(5)) out.threshold_ratio = static_cast<double>(*v) / 100;
    tables.report.supplies.push_back(out);
  }
}

// The numbers in a port's name: "Gi2/0/7" has 2, 0, 7.
std::vector<std::uint32_t> numbers_in(const std::string& name) {
  std::vector<std::uint32_t> out;
  bool inside = false;
  for (const char c : name) {
    const bool digit = c >= '0' && c <= '9';
    if (digit && !inside) out.push_back(0);
    if (digit) out.back() = out.back() * 10 + static_cast<std::uint32_t>(c - '0');
    inside = digit;
  }
  return out;
}

// By ENTITY-MIB: a port at position n of a container that is the group, by its index or its position.
std::optional<std::uint32_t> by_entity(const PowerPort& at, const std::vector<Entity>& entities, bool one_group) {
  std::optional<std::uint32_t> out;
  for (const auto& e : entities) {
    if (e.physical_class != port_class || e.position != at.second || !e.interface) continue;
    const auto parent = std::find_if(entities.begin(), entities.end(), [&](const Entity& p) { return p.index == e.contained_in; });
    const bool ours = one_group || e.contained_in == at.first || (parent != entities.end() && parent->position == at.first);
    if (!ours) continue;
    if (out && *out != *e.interface) return std::nullopt;
    out = e.interface;
  }
  return out;
}

std::optional<std::uint32_t> by_name(const PowerPort& at, const std::vector<SwitchPort>& ports, bool one_group) {
  std::optional<std::uint32_t> out;
  for (const auto& port : ports) {
    const auto numbers = port.type == ethernet ? numbers_in(port.name) : std::vector<std::uint32_t>();
    if (numbers.empty() || numbers.back() != at.second) continue;
    if (!one_group && (numbers.size() < 2 || numbers.front() != at.first)) continue;
    if (out) return std::nullopt;
    out = port.index;
  }
  return out;
}

// All of the power ports by one rule, each to an interface of its own, or none.
template <class Find>
std::optional<PowerMap> map_all(const std::vector<PowerPort>& power_ports, const std::vector<SwitchPort>& ports, const char* rule, Find&& find) {
  PowerMap out;
  out.rule = rule;
  std::set<std::uint32_t> taken;
  for (const auto& at : power_ports) {
    const std::optional<std::uint32_t> index = find(at);
    const bool there = index && std::any_of(ports.begin(), ports.end(), [&](const SwitchPort& p) { return p.index == *index; });
    if (!there || !taken.insert(*index).second) return std::nullopt;
    out.interface_of[at] = *index;
  }
  return out;
}

}  // namespace

PowerMap map_power_ports(const std::vector<PowerPort>& power_ports, const std::vector<SwitchPort>& ports,
                         const std::map<std::uint32_t, std::uint32_t>& bridge_ports, const std::vector<Entity>& entities) {
  const bool one_group = std::all_of(power_ports.begin(), power_ports.end(), [&](const PowerPort& p) { return p.first == power_ports.front().first; });
  if (auto map = map_all(power_ports, ports, "position of the port in ENTITY-MIB",
                         [&](const PowerPort& at) { return by_entity(at, entities, one_group); }))
    return *map;
  if (auto map = map_all(power_ports, ports, one_group ? "last number of the port's name" : "first and last number of the port's name",
                         [&](const PowerPort& at) { return by_name(at, ports, one_group); }))
    return *map;
  if (one_group)
    if (auto map = map_all(power_ports, ports, "number of the bridge port", [&](const PowerPort& at) {
          const auto found = bridge_ports.find(at.second);
          return found == bridge_ports.end() ? std::nullopt : std::optional(found->second);
        }))
      return *map;
  // In order, when there are as many Ethernet ports of the bridge as ports with power.
  std::vector<std::uint32_t> in_order;
  for (const auto& [number, index] : bridge_ports)
    if (std::any_of(ports.begin(), ports.end(), [&, i = index](const SwitchPort& p) { return p.index == i && p.type == ethernet; }))
      in_order.push_back(index);
  if (in_order.size() == power_ports.size())
    if (auto map = map_all(power_ports, ports, "order of the ports", [&](const PowerPort& at) {
          const auto place = std::find(power_ports.begin(), power_ports.end(), at) - power_ports.begin();
          return std::optional(in_order[static_cast<std::size_t>(place)]);
        }))
      return *map;
  return {};
}

std::vector<Entity> read_entities(SwitchTables& tables) {
  std::vector<Entity> out;
  const auto table = tables.read(entity_entry, {2, 4, 5, 6, 7, 9, 10, 11, 13}, tables.report.ports.size(), "entity_mib", "the switch has no ENTITY-MIB");
  if (table.empty()) return out;
  std::map<std::uint32_t, std::uint32_t> interface_of;
  for (const auto& [index, row] : tables.read(alias_entry, {2}, tables.report.ports.size(), "entity_interfaces", "")) {
    const auto* v = row.find(2);
    if (!index.empty() && v && v->oid.size() == if_index.size() + 1 && std::equal(if_index.begin(), if_index.end(), v->oid.begin()))
      interface_of[index[0]] = v->oid.back();
  }
  for (const auto& [index, row] : table) {
    if (index.size() != 1) continue;
    Entity e;
    e.index = index[0];
    e.contained_in = static_cast<std::uint32_t>(row.number(4).value_or(0));
    e.physical_class = static_cast<std::uint32_t>(row.number(5).value_or(0));
    e.position = static_cast<std::uint32_t>(row.number(6).value_or(0));
    if (const auto at = interface_of.find(e.index); at != interface_of.end()) e.interface = at->second;
    if (e.physical_class == chassis_class)
      tables.report.chassis.push_back({row.text(7), row.text(2), row.text(13), row.text(11), row.text(10), row.text(9)});
    out.push_back(e);
  }
  if (tables.report.chassis.empty()) tables.report.unread.try_emplace("entity_mib", "the switch's ENTITY-MIB names no chassis");
  return out;
}

void read_power(SwitchTables& tables, const std::vector<Entity>& entities) {
  const auto table = tables.read(power_entry, {3, 5, 6, 7, 8, 10, 11, 12, 13, 14}, tables.report.ports.size(), "power",
                                 "the switch has no POWER-ETHERNET-MIB");
  if (table.empty()) return;
  std::vector<PowerPort> power_ports;
  for (const auto& [index, row] : table)
    if (index.size() == 2) power_ports.emplace_back(index[0], index[1]);
  const auto map = power_ports.empty() ? PowerMap{} : map_power_ports(power_ports, tables.report.ports, tables.bridge_ports, entities);
  tables.report.power_rule = map.rule;
  if (map.rule.empty()) tables.report.unread["power"] = "the switch counts its power ports in a way that leads to no interface";
  for (const auto& [at, interface] : map.interface_of)
    if (auto* port = tables.port(interface)) port->power = port_power(at, table.at({at.first, at.second}));
  read_supplies(tables);
}

}  // namespace tallywire::link
