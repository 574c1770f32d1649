// Interfaces of a switch: IF-MIB (RFC 2863), EtherLike-MIB (RFC 3635), MAU-MIB (RFC 4836).
#include "probes/link/mau.hpp"
#include "probes/link/switch_tables.hpp"

#include <iterator>

namespace tallywire::link {
namespace {

const Oid if_entry = {1, 3, 6, 1, 2, 1, 2, 2, 1}, ifx_entry = {1, 3, 6, 1, 2, 1, 31, 1, 1, 1},
          dot3_entry = {1, 3, 6, 1, 2, 1, 10, 7, 2, 1}, dot3_wide_entry = {1, 3, 6, 1, 2, 1, 10, 7, 11, 1},
          mau_entry = {1, 3, 6, 1, 2, 1, 26, 2, 1, 1}, negotiation_entry = {1, 3, 6, 1, 2, 1, 26, 5, 1, 1};
const Oid mau_types = {1, 3, 6, 1, 2, 1, 26, 4};  // dot3MauType

constexpr std::uint64_t if_speed_top = 4'294'967'295u;

const char* admin_name(std::uint64_t value) { return value == 1 ? "up" : value == 2 ? "down" : "testing"; }

const char* state_name(std::uint64_t value) {
  static const char* const names[] = {"unknown", "up", "down", "testing", "unknown", "dormant", "not present", "lower layer down"};
  return value < std::size(names) ? names[value] : "unknown";
}

std::string address_text(const std::string& octets) {
  if (octets.size() != 6) return {};
  char text[18];
  const auto at = [&](std::size_t i) { return static_cast<unsigned>(static_cast<unsigned char>(octets[i])); };
  std::snprintf(text, sizeof text, "%02x:%02x:%02x:%02x:%02x:%02x", at(0), at(1), at(2), at(3), at(4), at(5));
  return text;
}

std::span<const std::uint8_t> octets_of(const SnmpValue& value) {
  return {reinterpret_cast<const std::uint8_t*>(value.octets.data()), value.octets.size()};
}

void take_interface(SwitchPort& p, const TableRow& row) {
  p.name = row.text(2);
  p.type = static_cast<std::uint32_t>(row.number(3).value_or(0));
  if (const auto speed = row.number(5); speed && *speed > 0 && *speed != if_speed_top) p.link_speed_bps = speed;
  if (const auto* v = row.find(6)) p.hardware_address = address_text(v->octets);
  if (const auto v = row.number(7)) p.admin_state = admin_name(*v);
  if (const auto v = row.number(8)) p.link_state = state_name(*v);
  if (const auto v = row.number(9)) p.last_change_s = static_cast<double>(*v) / 100;
  p.in_octets = row.number(10);
  p.in_discards = row.number(13);
  p.in_errors = row.number(14);
  p.out_octets = row.number(16);
  p.out_discards = row.number(19);
  p.out_errors = row.number(20);
}

void take_wide(SwitchPort& p, const TableRow& row) {
  if (const auto name = row.text(1); !name.empty()) p.name = name;
  p.alias = row.text(18);
  if (const auto mbps = row.number(15); mbps && *mbps > 0) p.link_speed_bps = *mbps * 1'000'000;
  if (const auto v = row.number(6)) {
    p.in_octets = v;
    p.in_octets_are_64_bit = true;
  }
  if (const auto v = row.number(10)) {
    p.out_octets = v;
    p.out_octets_are_64_bit = true;
  }
  if (const auto unicast = row.number(7), many = row.number(8), all = row.number(9); unicast && many && all)
    p.in_packets = *unicast + *many + *all;
  p.discontinuity = row.number(19).value_or(0);
}

// A port may have several MAUs; the first that says what it runs counts. Where EtherLike-MIB tells no duplex, the type does.
void take_mau(SwitchPort& p, const TableRow& row) {
  const auto* v = row.find(3);
  if (!v || p.runs || v->oid.size() != mau_types.size() + 1 || !std::equal(mau_types.begin(), mau_types.end(), v->oid.begin())) return;
  const auto* type = mau_type(v->oid.back());
  p.runs = type ? std::string(type->name) : "MAU type " + std::to_string(v->oid.back());
  if (type && *type->duplex != '\0' && !p.duplex) p.duplex = type->duplex;
}

void take_negotiation(SwitchPort& p, const TableRow& row) {
  if (const auto on = row.number(1)) p.negotiation = *on == 1 ? "on" : "off";
  if (const auto* v = row.find(10)) p.own_modes = modes_of_capability_bits(octets_of(*v));
  if (const auto* v = row.find(11)) p.peer_modes = modes_of_capability_bits(octets_of(*v));
}

}  // namespace

std::vector<Oid> tables_of_a_switch() {
  return {if_entry, ifx_entry, dot3_entry, dot3_wide_entry, mau_entry, negotiation_entry,
          {1, 3, 6, 1, 2, 1, 17, 1, 4, 1},               // dot1dBasePortEntry
          {1, 3, 6, 1, 2, 1, 17, 4, 3, 1},               // dot1dTpFdbEntry
          {1, 3, 6, 1, 2, 1, 17, 7, 1, 2, 2, 1},         // dot1qTpFdbEntry
          {1, 3, 6, 1, 2, 1, 17, 7, 1, 4, 2, 1},         // dot1qVlanCurrentEntry
          {1, 3, 6, 1, 2, 1, 17, 7, 1, 4, 5, 1},         // dot1qPortVlanEntry
          {1, 3, 6, 1, 2, 1, 105, 1, 1, 1},              // pethPsePortEntry
          {1, 3, 6, 1, 2, 1, 105, 1, 3, 1, 1},           // pethMainPseEntry
          {1, 3, 6, 1, 2, 1, 47, 1, 1, 1, 1},            // entPhysicalEntry
          {1, 3, 6, 1, 2, 1, 47, 1, 3, 2, 1},            // entAliasMappingEntry
          {1, 0, 8802, 1, 1, 2, 1, 3, 7, 1},             // lldpLocPortEntry
          {1, 0, 8802, 1, 1, 2, 1, 4, 1, 1},             // lldpRemEntry
          {1, 0, 8802, 1, 1, 2, 1, 4, 2, 1},             // lldpRemManAddrEntry
          {1, 0, 8802, 1, 1, 2, 1, 5, 4623, 1, 3, 1, 1},   // lldpXdot3RemPortEntry
          {1, 0, 8802, 1, 1, 2, 1, 5, 4623, 1, 3, 2, 1}};  // lldpXdot3RemPowerEntry
}

void read_interfaces(SwitchTables& tables, std::size_t count) {
  const auto interfaces = tables.read(if_entry, {2, 3, 5, 6, 7, 8, 9, 10, 13, 14, 16, 19, 20}, count, "if_mib",
                                      "the switch shows no interfaces");
  for (const auto& [index, row] : interfaces) {
    if (index.size() != 1) continue;
    SwitchPort port;
    port.index = index[0];
    take_interface(port, row);
    tables.report.ports.push_back(std::move(port));
  }
  const std::size_t rows = tables.report.ports.size();
  if (rows == 0) return;
  const auto each = [&tables](const Table& table, void (*take)(SwitchPort&, const TableRow&)) {
    for (const auto& [index, row] : table)
      if (auto* port = index.empty() ? nullptr : tables.port(index[0])) take(*port, row);
  };
  each(tables.read(ifx_entry, {1, 6, 7, 8, 9, 10, 15, 18, 19}, rows, "ifx_table", "the switch has no ifXTable"), take_wide);
  each(tables.read(dot3_entry, {2, 3, 8, 18, 19}, rows, "etherlike_mib", "the switch has no EtherLike-MIB"),
       [](SwitchPort& p, const TableRow& row) {
         p.alignment_errors = row.number(2);
         p.fcs_errors = row.number(3);
         p.late_collisions = row.number(8);
         p.symbol_errors = row.number(18);
         if (const auto duplex = row.number(19); duplex == 2 || duplex == 3) p.duplex = *duplex == 3 ? "full" : "half";
       });
  // The same in 64 bits, for ports of 10 Gbit/s and more; few have it, and nothing is lost without.
  each(tables.read(dot3_wide_entry, {1, 2, 6}, rows, "etherlike_mib_64_bit", ""), [](SwitchPort& p, const TableRow& row) {
    if (const auto v = row.number(1)) p.alignment_errors = v;
    if (const auto v = row.number(2)) p.fcs_errors = v;
    if (const auto v = row.number(6)) p.symbol_errors = v;
  });
  each(tables.read(mau_entry, {3}, rows, "mau_mib", "the switch has no MAU-MIB"), take_mau);
  each(tables.read(negotiation_entry, {1, 10, 11}, rows, "negotiation", "the switch does not tell what the ends of a link offer (ifMauAutoNegTable)"),
       take_negotiation);
}

}  // namespace tallywire::link
