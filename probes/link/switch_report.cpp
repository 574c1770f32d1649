// What two looks at a switch say together, and a look as readings and as JSON.
#include "probes/link/switch_reader.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>

namespace tallywire::link {
namespace {

using nlohmann::json;

// A 32-bit counter may have wrapped once between two looks (RFC 2863 §3.1.6).
std::uint64_t wrapped(std::uint64_t before, std::uint64_t after) { return static_cast<std::uint32_t>(after - before); }

// Octets between two looks; none when a counter is missing, went back, or may have wrapped unseen.
std::optional<std::uint64_t> advance(const std::optional<std::uint64_t>& before, const std::optional<std::uint64_t>& after,
                                     bool wide, std::uint64_t speed_bps, double seconds) {
  if (!before || !after) return std::nullopt;
  if (wide) return *after < *before ? std::nullopt : std::optional(*after - *before);
  constexpr double bits_of_a_wrap = 4'294'967'296.0 * 8;
  if (speed_bps == 0 || seconds * static_cast<double>(speed_bps) > bits_of_a_wrap) return std::nullopt;
  return wrapped(*before, *after);
}

std::map<std::string, int> names_of(const SwitchReport& report) {
  std::map<std::string, int> out;
  for (const auto& port : report.ports) ++out[port.name];
  return out;
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
  std::map<std::string, int> most_of_a_name;
  for (const auto* report : {&before, &after})
    for (auto& [name, count] : names_of(*report)) most_of_a_name[name] = std::max(most_of_a_name[name], count);
  const auto key = [&](const SwitchPort& p) {
    return most_of_a_name[p.name] < 2 ? p.name : p.name + " (ifIndex " + std::to_string(p.index) + ")";
  };
  std::map<std::string, const SwitchPort*> old;
  for (const auto& port : before.ports) old[key(port)] = &port;
  for (const auto& now : after.ports) {
    const auto at = old.find(key(now));
    if (at == old.end()) continue;
    const auto& then = *at->second;
    if (now.discontinuity != then.discontinuity || now.in_octets_are_64_bit != then.in_octets_are_64_bit ||
        now.out_octets_are_64_bit != then.out_octets_are_64_bit)
      continue;
    const auto speed_bps = std::max(now.link_speed_bps.value_or(0), then.link_speed_bps.value_or(0));
    const auto in = advance(then.in_octets, now.in_octets, now.in_octets_are_64_bit, speed_bps, seconds);
    const auto sent = advance(then.out_octets, now.out_octets, now.out_octets_are_64_bit, speed_bps, seconds);
    if (!in || !sent) continue;
    PortRate rate{static_cast<double>(*in) * 8 / seconds, static_cast<double>(*sent) * 8 / seconds, 0};
    if (now.in_errors && then.in_errors) rate.new_errors += wrapped(*then.in_errors, *now.in_errors);
    if (now.out_errors && then.out_errors) rate.new_errors += wrapped(*then.out_errors, *now.out_errors);
    out[key(now)] = rate;
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
