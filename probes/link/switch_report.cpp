// What two looks at a switch say together, and a look as readings and as JSON.
#include "probes/link/switch_reader.hpp"

#include <nlohmann/json.hpp>

namespace tallywire::link {
namespace {

using nlohmann::json;

// A 32-bit counter may have wrapped once between two looks (RFC 2863 §3.1.6).
std::uint64_t advance(std::uint64_t before, std::uint64_t after, bool wide) {
  if (wide) return after - before;
  return static_cast<std::uint32_t>(after - before);
}

json port_json(const SwitchPort& p) {
  json out = {{"name", p.name}, {"alias", p.alias}, {"learnt_addresses", p.learnt_addresses}};
  const auto put = [&out](const char* key, const auto& value) { out[key] = value ? json(*value) : json(); };
  put("link_state", p.link_state);
  put("link_speed_bps", p.link_speed_bps);
  put("duplex", p.duplex);
  put("in_bytes", p.in_octets);
  put("out_bytes", p.out_octets);
  put("in_errors", p.in_errors);
  put("out_errors", p.out_errors);
  put("in_discards", p.in_discards);
  put("out_discards", p.out_discards);
  put("fcs_errors", p.fcs_errors);
  put("power_class", p.power_class);
  put("power_state", p.power_state);
  return out;
}

}  // namespace

std::map<std::string, PortRate> difference(const SwitchReport& before, const SwitchReport& after) {
  std::map<std::string, PortRate> out;
  const double seconds = std::chrono::duration<double>(after.when - before.when).count();
  if (seconds <= 0 || after.sys_uptime_s < before.sys_uptime_s) return out;
  std::map<std::string, const SwitchPort*> old;
  for (const auto& port : before.ports) old[port.name] = &port;
  for (const auto& now : after.ports) {
    const auto at = old.find(now.name);
    if (at == old.end()) continue;
    const auto& then = *at->second;
    const bool whole = now.in_octets && now.out_octets && then.in_octets && then.out_octets;
    if (!whole || now.discontinuity != then.discontinuity || now.octets_are_64_bit != then.octets_are_64_bit) continue;
    const bool wide = now.octets_are_64_bit;
    if (wide && (*now.in_octets < *then.in_octets || *now.out_octets < *then.out_octets)) continue;
    PortRate rate;
    rate.in_bps = static_cast<double>(advance(*then.in_octets, *now.in_octets, wide)) * 8 / seconds;
    rate.out_bps = static_cast<double>(advance(*then.out_octets, *now.out_octets, wide)) * 8 / seconds;
    if (now.in_errors && then.in_errors) rate.new_errors += advance(*then.in_errors, *now.in_errors, false);
    if (now.out_errors && then.out_errors) rate.new_errors += advance(*then.out_errors, *now.out_errors, false);
    out[now.name] = rate;
  }
  return out;
}

std::vector<Reading> to_readings(const SwitchReport& report, const SwitchPort& port, const std::string& subject) {
  std::vector<Reading> out;
  const auto when = report.when;
  const auto reason = [&](const char* table, const char* otherwise) {
    const auto at = report.unread.find(table);
    return at == report.unread.end() ? std::string(otherwise) : at->second;
  };
  const auto number = [&](const char* quantity, std::optional<double> value, const char* method, const std::string& why) {
    out.push_back(value ? read_number(subject, quantity, *value, method, when) : unread(subject, quantity, why, when));
  };
  const auto word = [&](const char* quantity, const std::optional<std::string>& value, const char* method,
                        const std::string& why) {
    out.push_back(value ? read_word(subject, quantity, *value, method, when) : unread(subject, quantity, why, when));
  };
  const auto as_double = [](const auto& v) { return v ? std::optional(static_cast<double>(*v)) : std::nullopt; };
  word("link_state", port.link_state, "IF-MIB", reason("if_mib", "the switch does not tell"));
  number("link_speed_bps", as_double(port.link_speed_bps), "IF-MIB", reason("if_mib", "the switch knows no speed while there is no link"));
  word("duplex", port.duplex, "EtherLike-MIB", reason("etherlike_mib", "the switch does not tell"));
  number("in_errors", as_double(port.in_errors), "IF-MIB", reason("if_mib", "the switch does not tell"));
  number("fcs_errors", as_double(port.fcs_errors), "EtherLike-MIB", reason("etherlike_mib", "the switch does not tell"));
  number("power_class", as_double(port.power_class), "POWER-ETHERNET-MIB",
         reason("power", "the switch delivers no power on this port"));
  return out;
}

void to_json(json& out, const SwitchReport& r) {
  out = {{"address", r.address}, {"sys_name", r.sys_name},  {"sys_descr", r.sys_descr}, {"sys_uptime_s", r.sys_uptime_s},
         {"ports", json::array()}, {"neighbours", json::array()}, {"unread", r.unread}};
  for (const auto& port : r.ports) out["ports"].push_back(port_json(port));
  for (const auto& n : r.neighbours)
    out["neighbours"].push_back({{"local_port", n.local_port}, {"chassis_id", n.chassis_id},
                                 {"port_id", n.port_id}, {"system_name", n.system_name}});
}

}  // namespace tallywire::link
