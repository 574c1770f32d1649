// A look at a switch as JSON; the keys are laid down in docs/commands.md.
#include "probes/link/mau.hpp"
#include "probes/link/switch_reader.hpp"

#include <nlohmann/json.hpp>

namespace tallywire::link {
namespace {

using nlohmann::json;

class Writer {
 public:
  json out = json::object();
  template <class T>
  Writer& put(const char* key, const std::optional<T>& value) {
    out[key] = value ? json(*value) : json();
    return *this;
  }
};

void put_power(Writer& w, const SwitchPort& p) {
  const auto power = p.power.value_or(PortPower());
  w.put("power_enabled", power.enabled).put("power_state", power.state).put("power_class", power.power_class);
  w.put("power_priority", power.priority).put("power_pairs", power.pairs).put("power_absences", power.absent);
  w.put("power_invalid_signatures", power.invalid_signatures).put("power_denied", power.denied);
  w.put("power_overloads", power.overloads).put("power_shorts", power.shorts);
  w.put("power_port", p.power ? std::optional(std::to_string(power.group) + "." + std::to_string(power.port)) : std::nullopt);
  w.put("told_power_class", p.told_power.power_class).put("power_requested_w", p.told_power.requested_w);
  w.put("power_allocated_w", p.told_power.allocated_w);
}

json port_json(const SwitchPort& p) {
  Writer w;
  w.out = {{"name", p.name}, {"if_index", p.index}, {"alias", p.alias}, {"hardware_address", p.hardware_address}, {"leads_to", p.leads_to},
           {"own_modes", p.own_modes}, {"peer_modes", p.peer_modes}, {"learnt_addresses", json::array()}, {"learnt_in_vlans", json::object()}};
  for (const auto& a : p.learnt) {
    w.out["learnt_addresses"].push_back(a.hardware_address);
    if (!a.vlans.empty()) w.out["learnt_in_vlans"][a.hardware_address] = a.vlans;
  }
  w.put("admin_state", p.admin_state).put("link_state", p.link_state).put("last_change_s", p.last_change_s);
  w.put("link_speed_bps", p.link_speed_bps).put("duplex", p.duplex).put("runs", p.runs).put("negotiation", p.negotiation);
  w.put("offered_speed_bps", fastest_common_bps(p.own_modes, p.peer_modes)).put("vlan", p.vlan);
  w.put("in_bytes", p.in_octets).put("out_bytes", p.out_octets).put("in_packets", p.in_packets);
  w.put("in_errors", p.in_errors).put("out_errors", p.out_errors).put("in_discards", p.in_discards).put("out_discards", p.out_discards);
  w.put("fcs_errors", p.fcs_errors).put("alignment_errors", p.alignment_errors);
  w.put("late_collisions", p.late_collisions).put("symbol_errors", p.symbol_errors);
  put_power(w, p);
  return std::move(w.out);
}

json neighbour_json(const SwitchNeighbour& n) {
  Writer w;
  w.out = {{"local_port", n.local_port}, {"local_rule", n.local_rule}, {"chassis_id", n.chassis_id}, {"port_id", n.port_id},
           {"port_description", n.port_description}, {"system_name", n.system_name}, {"system_description", n.system_description},
           {"management_addresses", n.management_addresses}, {"modes", n.modes}};
  w.put("bridges", n.bridges).put("routes", n.routes).put("runs", n.runs);
  w.put("negotiation_supported", n.negotiation_supported).put("negotiation_enabled", n.negotiation_enabled);
  return std::move(w.out);
}

}  // namespace

void to_json(json& out, const SwitchReport& r) {
  Writer w;
  w.put("learnt_for_s", r.learnt_for_s);
  out = std::move(w.out);
  out.update({{"address", r.address}, {"sys_name", r.sys_name}, {"sys_descr", r.sys_descr}, {"sys_uptime_s", r.sys_uptime_s},
              {"read_s", r.read_s}, {"messages", r.messages}, {"power_rule", r.power_rule.empty() ? json() : json(r.power_rule)},
              {"ports", json::array()}, {"neighbours", json::array()}, {"power_supplies", json::array()}, {"chassis", json::array()},
              {"unread", r.unread}});
  for (const auto& port : r.ports) out["ports"].push_back(port_json(port));
  for (const auto& n : r.neighbours) out["neighbours"].push_back(neighbour_json(n));
  for (const auto& s : r.supplies) {
    Writer supply;
    supply.out["group"] = s.group;
    supply.put("power_w", s.power_w).put("drawn_w", s.consumed_w).put("state", s.state).put("threshold_ratio", s.threshold_ratio);
    out["power_supplies"].push_back(std::move(supply.out));
  }
  for (const auto& c : r.chassis)
    out["chassis"].push_back({{"name", c.name}, {"description", c.description}, {"model", c.model}, {"serial", c.serial},
                              {"software", c.software}, {"firmware", c.firmware}});
}

void to_json(json& out, const PortRate& r) {
  Writer w;
  w.out = {{"in_bps", r.in_bps}, {"out_bps", r.out_bps}, {"over_s", r.over_s}, {"new_errors", r.new_errors}};
  w.put("new_in_packets", r.in_packets).put("new_fcs_errors", r.fcs_errors).put("new_alignment_errors", r.alignment_errors);
  w.put("new_late_collisions", r.late_collisions).put("new_symbol_errors", r.symbol_errors);
  w.put("new_power_denied", r.power_denied).put("new_power_overloads", r.power_overloads).put("new_power_shorts", r.power_shorts);
  out = std::move(w.out);
}

}  // namespace tallywire::link
