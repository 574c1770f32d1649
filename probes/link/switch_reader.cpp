#include "probes/link/switch_reader.hpp"

#include "probes/wire/mac_address.hpp"
#include "probes/wire/printable.hpp"

#include <algorithm>

namespace tallywire::link {
namespace {

// RFC 3418, 2863, 3635, 4188, 4363, 3621, LLDP-MIB; check-values section 11.
const Oid sys_descr = {1, 3, 6, 1, 2, 1, 1, 1, 0}, sys_uptime = {1, 3, 6, 1, 2, 1, 1, 3, 0},
          sys_name = {1, 3, 6, 1, 2, 1, 1, 5, 0};

Oid if_column(std::uint32_t n) { return {1, 3, 6, 1, 2, 1, 2, 2, 1, n}; }
Oid ifx_column(std::uint32_t n) { return {1, 3, 6, 1, 2, 1, 31, 1, 1, 1, n}; }
Oid dot3_column(std::uint32_t n) { return {1, 3, 6, 1, 2, 1, 10, 7, 2, 1, n}; }
const Oid base_port_index = {1, 3, 6, 1, 2, 1, 17, 1, 4, 1, 2};
const Oid fdb_port = {1, 3, 6, 1, 2, 1, 17, 4, 3, 1, 2}, fdb_status = {1, 3, 6, 1, 2, 1, 17, 4, 3, 1, 3};
const Oid q_fdb_port = {1, 3, 6, 1, 2, 1, 17, 7, 1, 2, 2, 1, 2};
const Oid q_fdb_status = {1, 3, 6, 1, 2, 1, 17, 7, 1, 2, 2, 1, 3};
const Oid power_state = {1, 3, 6, 1, 2, 1, 105, 1, 1, 1, 6}, power_class = {1, 3, 6, 1, 2, 1, 105, 1, 1, 1, 10};
Oid lldp_remote(std::uint32_t n) { return {1, 0, 8802, 1, 1, 2, 1, 4, 1, 1, n}; }
const Oid lldp_local_port = {1, 0, 8802, 1, 1, 2, 1, 3, 7, 1, 3};

constexpr std::uint64_t learned = 3;          // dot1dTpFdbStatus, dot1qTpFdbStatus
constexpr std::uint64_t if_speed_top = 4'294'967'295u;
constexpr std::uint64_t delivering_power = 3;

const char* state_name(std::uint64_t value) {
  static const char* const names[] = {"unknown", "up", "down", "testing", "unknown", "dormant", "not present", "lower layer down"};
  return value < std::size(names) ? names[value] : "unknown";
}

const char* power_state_name(std::uint64_t value) {
  static const char* const names[] = {"unknown", "disabled", "searching", "delivering power", "fault", "test", "other fault"};
  return value < std::size(names) ? names[value] : "unknown";
}

// A neighbour's ids are texts, or six octets of a hardware address.
std::string id_of(const std::string& octets) {
  if (octets.size() == 6 && std::any_of(octets.begin(), octets.end(), [](char c) { return c < 0x20 || c > 0x7e; })) {
    wire::MacAddress mac;
    std::copy(octets.begin(), octets.end(), mac.octets.begin());
    return mac.text();
  }
  return wire::printable(octets);
}

class Reader {
 public:
  Reader(SnmpSession& session, SwitchReport& out) : session_(session), out_(out) {}

  void read() {
    read_interfaces();
    read_etherlike();
    read_addresses();
    read_power();
    read_neighbours();
  }

 private:
  using Take = void (*)(SwitchPort&, const SnmpValue&);

  // One column, its values told to the port with that ifIndex. False when the table is not there.
  bool column(const Oid& oid, const Take& take, const char* table) {
    auto values = session_.walk(oid);
    if (!values) {
      out_.unread[table] = values.error().what;
      return false;
    }
    for (const auto& value : *values) {
      const auto at = value.index.empty() ? ports_.end() : ports_.find(value.index[0]);
      if (at != ports_.end()) take(out_.ports[at->second], value);
    }
    return !values->empty();
  }

  void read_interfaces() {
    auto names = session_.walk(if_column(2));
    if (!names || names->empty()) {
      out_.unread["if_mib"] = names ? "the switch shows no interfaces" : names.error().what;
      return;
    }
    for (const auto& value : *names) {
      if (value.index.size() != 1) continue;
      SwitchPort port;
      port.index = value.index[0];
      port.name = wire::printable(value.octets);
      ports_[port.index] = out_.ports.size();
      out_.ports.push_back(std::move(port));
    }
    column(if_column(8), [](SwitchPort& p, const SnmpValue& v) { p.link_state = state_name(v.number); }, "if_mib");
    column(if_column(5), [](SwitchPort& p, const SnmpValue& v) {
      if (v.number != if_speed_top && v.number > 0) p.link_speed_bps = v.number;
    }, "if_mib");
    column(if_column(10), [](SwitchPort& p, const SnmpValue& v) { p.in_octets = v.number; }, "if_mib");
    column(if_column(16), [](SwitchPort& p, const SnmpValue& v) { p.out_octets = v.number; }, "if_mib");
    column(if_column(13), [](SwitchPort& p, const SnmpValue& v) { p.in_discards = v.number; }, "if_mib");
    column(if_column(19), [](SwitchPort& p, const SnmpValue& v) { p.out_discards = v.number; }, "if_mib");
    column(if_column(14), [](SwitchPort& p, const SnmpValue& v) { p.in_errors = v.number; }, "if_mib");
    column(if_column(20), [](SwitchPort& p, const SnmpValue& v) { p.out_errors = v.number; }, "if_mib");
    if (!column(ifx_column(1), [](SwitchPort& p, const SnmpValue& v) { if (!v.octets.empty()) p.name = wire::printable(v.octets); }, "ifx_table")) {
      out_.unread.try_emplace("ifx_table", "the switch has no ifXTable");
      return;
    }
    column(ifx_column(18), [](SwitchPort& p, const SnmpValue& v) { p.alias = wire::printable(v.octets); }, "ifx_table");
    column(ifx_column(15), [](SwitchPort& p, const SnmpValue& v) {
      if (v.number > 0) p.link_speed_bps = v.number * 1'000'000;
    }, "ifx_table");
    column(ifx_column(6), [](SwitchPort& p, const SnmpValue& v) {
      p.in_octets = v.number;
      p.in_octets_are_64_bit = true;
    }, "ifx_table");
    column(ifx_column(10), [](SwitchPort& p, const SnmpValue& v) {
      p.out_octets = v.number;
      p.out_octets_are_64_bit = true;
    }, "ifx_table");
    column(ifx_column(19), [](SwitchPort& p, const SnmpValue& v) { p.discontinuity = v.number; }, "ifx_table");
  }

  void read_etherlike() {
    const bool there = column(dot3_column(3), [](SwitchPort& p, const SnmpValue& v) { p.fcs_errors = v.number; }, "etherlike_mib");
    column(dot3_column(19), [](SwitchPort& p, const SnmpValue& v) {
      if (v.number == 2 || v.number == 3) p.duplex = v.number == 3 ? "full" : "half";
    }, "etherlike_mib");
    if (!there) out_.unread.try_emplace("etherlike_mib", "the switch has no EtherLike-MIB");
  }

  // Bridge ports are not interfaces: dot1dBasePortIfIndex maps them (RFC 4188).
  void read_addresses() {
    auto base = session_.walk(base_port_index);
    if (!base || base->empty()) {
      out_.unread["learnt_addresses"] = base ? "the switch has no BRIDGE-MIB" : base.error().what;
      return;
    }
    std::map<std::uint32_t, std::uint32_t> interface_of;
    for (const auto& v : *base)
      if (v.index.size() == 1) interface_of[v.index[0]] = static_cast<std::uint32_t>(v.number);
    const bool plain = read_fdb(fdb_port, fdb_status, 0, interface_of);
    const bool by_vlan = read_fdb(q_fdb_port, q_fdb_status, 1, interface_of);
    if (!plain && !by_vlan) out_.unread.try_emplace("learnt_addresses", "the switch shows no learnt addresses");
  }

  // `prefix`: how many numbers stand before the six octets of the address in the index.
  bool read_fdb(const Oid& port_column, const Oid& status_column, std::size_t prefix,
                const std::map<std::uint32_t, std::uint32_t>& interface_of) {
    auto ports = session_.walk(port_column), states = session_.walk(status_column);
    if (!ports || !states) {
      out_.unread["learnt_addresses"] = ports ? states.error().what : ports.error().what;
      return false;
    }
    std::map<Oid, std::uint64_t> state_of;
    for (const auto& v : *states) state_of[v.index] = v.number;
    for (const auto& v : *ports) {
      const auto state = state_of.find(v.index);
      const auto interface = interface_of.find(static_cast<std::uint32_t>(v.number));
      if (v.index.size() != prefix + 6 || (state != state_of.end() && state->second != learned) ||
          interface == interface_of.end() || !ports_.contains(interface->second))
        continue;
      wire::MacAddress mac;
      for (std::size_t i = 0; i < 6; ++i) mac.octets[i] = static_cast<std::uint8_t>(v.index[prefix + i]);
      auto& learnt = out_.ports[ports_[interface->second]].learnt_addresses;
      if (std::find(learnt.begin(), learnt.end(), mac.text()) == learnt.end()) learnt.push_back(mac.text());
    }
    return !ports->empty();
  }

  // POWER-ETHERNET-MIB counts ports within groups, not interfaces. Where group 1 has as many ports as there
  // are physical interfaces, port n is taken as the n-th bridge port: that is how switches number them.
  void read_power() {
    auto states = session_.walk(power_state), classes = session_.walk(power_class);
    if (!states || states->empty()) {
      out_.unread["power"] = states ? "the switch has no POWER-ETHERNET-MIB" : states.error().what;
      return;
    }
    auto base = session_.walk(base_port_index);
    std::map<std::uint32_t, std::size_t> port_at;
    if (base)
      for (const auto& v : *base) {
        const auto at = ports_.find(static_cast<std::uint32_t>(v.number));
        if (v.index.size() == 1 && at != ports_.end()) port_at[v.index[0]] = at->second;
      }
    std::map<Oid, std::uint64_t> class_of;
    if (classes)
      for (const auto& v : *classes) class_of[v.index] = v.number;
    for (const auto& v : *states) {
      const auto at = v.index.size() == 2 ? port_at.find(v.index[1]) : port_at.end();
      if (at == port_at.end()) continue;
      auto& port = out_.ports[at->second];
      port.power_state = power_state_name(v.number);
      const auto found = class_of.find(v.index);
      // RFC 3621: the value is class + 1 and valid only while power is delivered.
      if (v.number == delivering_power && found != class_of.end() && found->second >= 1)
        port.power_class = static_cast<int>(found->second) - 1;
    }
  }

  void read_neighbours() {
    auto chassis = session_.walk(lldp_remote(5));
    if (!chassis || chassis->empty()) {
      out_.unread["lldp_mib"] = chassis ? "the switch shows no LLDP neighbours" : chassis.error().what;
      return;
    }
    std::map<std::uint32_t, std::string> local;
    if (auto names = session_.walk(lldp_local_port))
      for (const auto& v : *names)
        if (v.index.size() == 1) local[v.index[0]] = wire::printable(v.octets);
    std::map<Oid, SwitchNeighbour> rows;
    for (const auto& v : *chassis) {
      auto& row = rows[v.index];
      row.chassis_id = id_of(v.octets);
      if (v.index.size() == 3) row.local_port = local.contains(v.index[1]) ? local[v.index[1]] : std::to_string(v.index[1]);
    }
    if (auto ports = session_.walk(lldp_remote(7)))
      for (const auto& v : *ports)
        if (rows.contains(v.index)) rows[v.index].port_id = id_of(v.octets);
    if (auto names = session_.walk(lldp_remote(9)))
      for (const auto& v : *names)
        if (rows.contains(v.index)) rows[v.index].system_name = wire::printable(v.octets);
    for (auto& [index, row] : rows) out_.neighbours.push_back(std::move(row));
  }

  SnmpSession& session_;
  SwitchReport& out_;
  std::map<std::uint32_t, std::size_t> ports_;  // ifIndex -> place in out_.ports
};

}  // namespace

Outcome<SwitchReport> read_switch(const SwitchAccess& access, std::chrono::milliseconds limit) {
  auto session = SnmpSession::open(access, limit);
  if (!session) return session.error();
  SwitchReport out;
  out.address = access.address;
  auto uptime = (*session)->get(sys_uptime);
  if (!uptime) return uptime.error();
  out.when = now_utc();
  out.sys_uptime_s = static_cast<double>(uptime->number) / 100;
  if (auto name = (*session)->get(sys_name)) out.sys_name = wire::printable(name->octets);
  if (auto descr = (*session)->get(sys_descr)) out.sys_descr = wire::printable(descr->octets);
  Reader(**session, out).read();
  return out;
}

}  // namespace tallywire::link
