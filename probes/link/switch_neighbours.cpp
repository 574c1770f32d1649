// A switch's neighbours: LLDP-MIB (IEEE 802.1AB) and its 802.3 extension.
#include "probes/link/mau.hpp"
#include "probes/link/switch_tables.hpp"
#include "probes/wire/mac_address.hpp"
#include "probes/wire/printable.hpp"

#include <algorithm>
#include <arpa/inet.h>

namespace tallywire::link {
namespace {

const Oid local_entry = {1, 0, 8802, 1, 1, 2, 1, 3, 7, 1}, remote_entry = {1, 0, 8802, 1, 1, 2, 1, 4, 1, 1},
          management_entry = {1, 0, 8802, 1, 1, 2, 1, 4, 2, 1},
          dot3_port_entry = {1, 0, 8802, 1, 1, 2, 1, 5, 4623, 1, 3, 1, 1},
          dot3_power_entry = {1, 0, 8802, 1, 1, 2, 1, 5, 4623, 1, 3, 2, 1};

std::string mac_text(const std::string& octets) {
  if (octets.size() != 6) return wire::printable(octets);
  wire::MacAddress mac;
  std::copy(octets.begin(), octets.end(), mac.octets.begin());
  return mac.text();
}

// One octet of IANA address family, then the address: 1 is IPv4, 2 IPv6.
std::string network_text(const std::string& octets) {
  char text[INET6_ADDRSTRLEN] = "";
  if (octets.size() == 5 && octets[0] == 1) ::inet_ntop(AF_INET, octets.data() + 1, text, sizeof text);
  if (octets.size() == 17 && octets[0] == 2) ::inet_ntop(AF_INET6, octets.data() + 1, text, sizeof text);
  return *text != '\0' ? text : wire::printable(octets);
}

// Subtypes of LldpChassisIdSubtype and LldpPortIdSubtype: which ones are addresses differs between the two.
std::string id_text(const TableRow& row, std::uint32_t subtype_column, std::uint64_t mac_subtype, std::uint64_t network_subtype) {
  const auto* v = row.find(subtype_column + 1);
  if (!v) return {};
  const auto subtype = row.number(subtype_column).value_or(0);
  if (subtype == mac_subtype) return mac_text(v->octets);
  return subtype == network_subtype ? network_text(v->octets) : wire::printable(v->octets);
}

struct Local {
  std::optional<std::uint32_t> index;
  std::string name;
  std::string rule;
};

// lldpLocPortNum is a number of the agent's own. By what the port calls itself (its subtype) the interface is found;
// only where that leads nowhere the number is taken for one of the bridge's ports, else for an interface.
Local find_local(SwitchTables& tables, std::uint32_t number, const TableRow* row) {
  const auto& ports = tables.report.ports;
  const auto match = [&](const char* rule, const auto& same) -> Local {
    const auto at = std::find_if(ports.begin(), ports.end(), same);
    if (at == ports.end() || std::find_if(std::next(at), ports.end(), same) != ports.end()) return {};
    return {at->index, at->name, rule};
  };
  if (row) {
    const auto id = id_text(*row, 2, 3, 4);
    const auto subtype = row->number(2).value_or(0);
    Local out;
    if (subtype == 1) out = match("alias", [&](const SwitchPort& p) { return p.alias == id; });
    if (subtype == 3) out = match("hardware address", [&](const SwitchPort& p) { return p.hardware_address == id; });
    if (subtype == 5 || subtype == 7) out = match("name", [&](const SwitchPort& p) { return p.name == id; });
    if (!out.index) out = match("description", [&](const SwitchPort& p) { return !p.name.empty() && p.name == row->text(4); });
    if (!out.index && subtype == 7) out = match("interface number", [&](const SwitchPort& p) { return std::to_string(p.index) == id; });
    if (out.index) return out;
  }
  if (const auto interface = tables.interface_of(number))
    if (const auto* port = tables.port(*interface)) return {port->index, port->name, "number of a bridge port"};
  if (const auto* port = tables.port(number)) return {port->index, port->name, "interface number"};
  return {std::nullopt, row ? id_text(*row, 2, 3, 4) : std::to_string(number), ""};
}

// LldpSystemCapabilitiesMap, counted from the most significant bit: 2 bridges, 4 routes.
bool bit(const SnmpValue& v, unsigned number) {
  return v.octets.size() > number / 8 && (static_cast<unsigned char>(v.octets[number / 8]) & (0x80u >> (number % 8))) != 0;
}

SwitchNeighbour neighbour_of(const TableRow& row) {
  SwitchNeighbour out;
  out.chassis_id = id_text(row, 4, 4, 5);
  out.port_id = id_text(row, 6, 3, 4);
  out.port_description = row.text(8);
  out.system_name = row.text(9);
  out.system_description = row.text(10);
  if (const auto* enabled = row.find(12)) {
    out.bridges = bit(*enabled, 2);
    out.routes = bit(*enabled, 4);
  }
  return out;
}

// TruthValue: 1 is true.
std::optional<bool> truth(const TableRow& row, std::uint32_t column) {
  const auto v = row.number(column);
  return v ? std::optional(*v == 1) : std::nullopt;
}

void take_link(SwitchNeighbour& n, const TableRow& row) {
  n.negotiation_supported = truth(row, 1);
  n.negotiation_enabled = truth(row, 2);
  if (const auto* v = row.find(3))
    n.modes = modes_of_capability_bits({reinterpret_cast<const std::uint8_t*>(v->octets.data()), v->octets.size()});
  if (const auto number = row.number(4); number && *number > 0) {
    const auto* type = mau_type(static_cast<std::uint32_t>(*number));
    n.runs = type ? std::string(type->name) : "MAU type " + std::to_string(*number);
  }
}

// Tenths of a watt, at most 99.9 W; lldpd's agent counts in milliwatts, which cannot be mistaken for it.
std::optional<double> watts(const TableRow& row, std::uint32_t column) {
  const auto v = row.number(column);
  if (!v || *v == 0) return std::nullopt;
  return *v > 999 ? static_cast<double>(*v) / 1000 : static_cast<double>(*v) / 10;
}

ToldPower power_of(const TableRow& row) {
  ToldPower out;
  if (const auto v = row.number(1)) out.is_source = *v == 1;
  if (const auto v = row.number(6); v && *v >= 1 && *v <= 5) out.power_class = static_cast<int>(*v) - 1;  // class + 1
  out.requested_w = watts(row, 10);
  out.allocated_w = watts(row, 11);
  return out;
}

}  // namespace

void read_neighbours(SwitchTables& tables) {
  const auto remote = tables.read(remote_entry, {4, 5, 6, 7, 8, 9, 10, 12}, 0, "lldp_mib", "the switch shows no LLDP neighbours");
  if (remote.empty()) return;
  const auto local = tables.read(local_entry, {2, 3, 4}, tables.report.ports.size(), "lldp_local_ports", "");
  std::map<Oid, SwitchNeighbour> rows;  // index: time mark, local port, remote index
  for (const auto& [index, row] : remote) {
    if (index.size() != 3) continue;
    auto& n = rows[index] = neighbour_of(row);
    const auto own = local.find({index[1]});
    const auto found = find_local(tables, index[1], own == local.end() ? nullptr : &own->second);
    n.index = found.index;
    n.local_port = found.name;
    n.local_rule = found.rule;
  }
  // The address is in the index: after the three of the neighbour its family, its length and its octets.
  for (const auto& [index, row] : tables.read(management_entry, {3}, rows.size(), "lldp_management_addresses", "")) {
    if (index.size() < 6 || index[4] != index.size() - 5) continue;
    const auto at = rows.find({index[0], index[1], index[2]});
    std::string octets(1, static_cast<char>(index[3]));
    for (std::size_t i = 5; i < index.size(); ++i) octets.push_back(static_cast<char>(index[i]));
    if (at != rows.end()) at->second.management_addresses.push_back(network_text(octets));
  }
  for (const auto& [index, row] : tables.read(dot3_port_entry, {1, 2, 3, 4}, rows.size(), "lldp_dot3_links", "no neighbour tells by LLDP what it offers"))
    if (const auto at = rows.find(index); at != rows.end()) take_link(at->second, row);
  for (const auto& [index, row] : tables.read(dot3_power_entry, {1, 6, 10, 11}, rows.size(), "lldp_dot3_power", "no neighbour tells its power by LLDP")) {
    const auto at = rows.find(index);
    auto* const port = at != rows.end() && at->second.index ? tables.port(*at->second.index) : nullptr;
    if (port) port->told_power = power_of(row);
  }
  for (auto& [index, row] : rows) tables.report.neighbours.push_back(std::move(row));
}

}  // namespace tallywire::link
