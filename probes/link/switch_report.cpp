// What two looks at a switch say together, and a look as readings.
#include "probes/link/mau.hpp"
#include "probes/link/switch_reader.hpp"

#include <algorithm>
#include <type_traits>

namespace tallywire::link {
namespace {

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

// A counter of 32 bits between two looks, where both have it.
std::optional<std::uint64_t> counted(const std::optional<std::uint64_t>& before, const std::optional<std::uint64_t>& after) {
  return before && after ? std::optional(wrapped(*before, *after)) : std::nullopt;
}

// Two looks at ports by name; where names repeat, by name and ifIndex.
class Pairs {
 public:
  Pairs(const SwitchReport& before, const SwitchReport& after) {
    for (const auto* report : {&before, &after})
      for (auto& [name, count] : names_of(*report)) most_of_a_name_[name] = std::max(most_of_a_name_[name], count);
    for (const auto& port : before.ports) old_[key(port)] = &port;
  }
  std::string key(const SwitchPort& p) const {
    const auto at = most_of_a_name_.find(p.name);
    return at == most_of_a_name_.end() || at->second < 2 ? p.name : p.name + " (ifIndex " + std::to_string(p.index) + ")";
  }
  const SwitchPort* before(const SwitchPort& now) const {
    const auto at = old_.find(key(now));
    return at == old_.end() ? nullptr : at->second;
  }

 private:
  std::map<std::string, int> most_of_a_name_;
  std::map<std::string, const SwitchPort*> old_;
};

bool counters_differ_in_kind(const SwitchPort& a, const SwitchPort& b) {
  return a.in_octets_are_64_bit != b.in_octets_are_64_bit || a.out_octets_are_64_bit != b.out_octets_are_64_bit;
}

void count_errors(PortRate& rate, const SwitchPort& then, const SwitchPort& now) {
  rate.new_errors = counted(then.in_errors, now.in_errors).value_or(0) + counted(then.out_errors, now.out_errors).value_or(0);
  rate.in_errors = counted(then.in_errors, now.in_errors);
  rate.out_errors = counted(then.out_errors, now.out_errors);
  rate.in_discards = counted(then.in_discards, now.in_discards);
  rate.out_discards = counted(then.out_discards, now.out_discards);
  if (then.in_packets && now.in_packets && *now.in_packets >= *then.in_packets) rate.in_packets = *now.in_packets - *then.in_packets;
  rate.fcs_errors = counted(then.fcs_errors, now.fcs_errors);
  rate.alignment_errors = counted(then.alignment_errors, now.alignment_errors);
  rate.late_collisions = counted(then.late_collisions, now.late_collisions);
  rate.symbol_errors = counted(then.symbol_errors, now.symbol_errors);
  if (!then.power || !now.power) return;
  rate.power_denied = counted(then.power->denied, now.power->denied);
  rate.power_overloads = counted(then.power->overloads, now.power->overloads);
  rate.power_shorts = counted(then.power->shorts, now.power->shorts);
  rate.power_invalid_signatures = counted(then.power->invalid_signatures, now.power->invalid_signatures);
}

}  // namespace

std::map<std::string, PortRate> difference(const SwitchReport& before, const SwitchReport& after) {
  std::map<std::string, PortRate> out;
  const double seconds = std::chrono::duration<double>(after.when - before.when).count();
  if (seconds <= 0 || after.sys_uptime_s < before.sys_uptime_s) return out;
  const Pairs pairs(before, after);
  for (const auto& now : after.ports) {
    const auto* then = pairs.before(now);
    if (!then || now.discontinuity != then->discontinuity || counters_differ_in_kind(now, *then)) continue;
    const auto speed_bps = std::max(now.link_speed_bps.value_or(0), then->link_speed_bps.value_or(0));
    const auto in = advance(then->in_octets, now.in_octets, now.in_octets_are_64_bit, speed_bps, seconds);
    const auto sent = advance(then->out_octets, now.out_octets, now.out_octets_are_64_bit, speed_bps, seconds);
    if (!in || !sent) continue;
    PortRate rate;
    rate.in_bps = static_cast<double>(*in) * 8 / seconds;
    rate.out_bps = static_cast<double>(*sent) * 8 / seconds;
    rate.over_s = seconds;
    count_errors(rate, *then, now);
    out[pairs.key(now)] = rate;
  }
  return out;
}

std::map<std::string, std::string> restarted_counters(const SwitchReport& before, const SwitchReport& after) {
  std::map<std::string, std::string> out;
  const Pairs pairs(before, after);
  for (const auto& now : after.ports) {
    const auto* then = pairs.before(now);
    if (!then) continue;
    if (after.sys_uptime_s < before.sys_uptime_s)
      out[pairs.key(now)] = "the switch restarted between the looks";
    else if (now.discontinuity != then->discontinuity)
      out[pairs.key(now)] = "its counters started anew between the looks";
  }
  return out;
}

namespace {

// Readings of one subject at one time: each read, or unread with the table's reason, else the one given.
class Teller {
 public:
  Teller(const SwitchReport& report, std::string subject) : report_(report), subject_(std::move(subject)) {}
  std::vector<Reading> out;

  template <class T>
  void tell(const char* quantity, const std::optional<T>& value, const char* method, const char* table, const std::string& otherwise) {
    if (!value)
      out.push_back(unread(subject_, quantity, reason(table, otherwise), report_.when));
    else if constexpr (std::is_convertible_v<T, std::string>)
      out.push_back(read_word(subject_, quantity, *value, method, report_.when));
    else
      out.push_back(read_number(subject_, quantity, static_cast<double>(*value), method, report_.when));
  }
  void count(const char* quantity, const std::optional<std::uint64_t>& value, const char* method, double over_s) {
    if (value)
      out.push_back(read_number(subject_, quantity, static_cast<double>(*value), method, report_.when,
                                std::chrono::nanoseconds(static_cast<std::int64_t>(over_s * 1e9))));
  }

 private:
  std::string reason(const char* table, const std::string& otherwise) const {
    const auto at = report_.unread.find(table);
    return at == report_.unread.end() ? otherwise : at->second;
  }
  const SwitchReport& report_;
  std::string subject_;
};

void tell_power(Teller& teller, const SwitchPort& port) {
  const auto& power = port.power;
  teller.tell("power_state", power ? power->state : std::nullopt, "POWER-ETHERNET-MIB", "power", "the switch feeds nothing by this port");
  const auto read_class = power && power->power_class ? power->power_class : port.told_power.power_class;
  teller.tell("power_class", read_class, power && power->power_class ? "POWER-ETHERNET-MIB" : "LLDP of the unit at the switch", "power",
              "the switch delivers no power on this port" + (power && power->state ? ": " + *power->state : std::string()));
  const char* untold = "the unit does not tell the switch by LLDP";
  teller.tell("power_requested_w", port.told_power.requested_w, "LLDP of the unit at the switch", "", untold);
  teller.tell("power_allocated_w", port.told_power.allocated_w, "LLDP of the unit at the switch", "", untold);
  teller.tell("power_drawn_w", std::optional<double>(), "", "", "no standard table of a switch has the watts of a port (RFC 3621 has none)");
}

void tell_load(Teller& teller, const SwitchPort& port, const PortRate& rate) {
  const auto share = [&](double bps) { return port.link_speed_bps ? std::optional(bps / static_cast<double>(*port.link_speed_bps)) : std::nullopt; };
  const auto over = std::chrono::nanoseconds(static_cast<std::int64_t>(rate.over_s * 1e9));
  teller.tell("in_load_ratio", share(rate.in_bps), "IF-MIB, two looks", "if_mib", "the port's speed is not known");
  teller.out.back().over = over;
  teller.tell("out_load_ratio", share(rate.out_bps), "IF-MIB, two looks", "if_mib", "the port's speed is not known");
  teller.out.back().over = over;
}

void tell_counts(Teller& teller, const PortRate& rate) {
  teller.count("new_in_packets", rate.in_packets, "IF-MIB, two looks", rate.over_s);
  teller.count("new_in_errors", rate.in_errors, "IF-MIB, two looks", rate.over_s);
  teller.count("new_out_errors", rate.out_errors, "IF-MIB, two looks", rate.over_s);
  teller.count("new_in_discards", rate.in_discards, "IF-MIB, two looks", rate.over_s);
  teller.count("new_out_discards", rate.out_discards, "IF-MIB, two looks", rate.over_s);
  teller.count("new_fcs_errors", rate.fcs_errors, "EtherLike-MIB, two looks", rate.over_s);
  teller.count("new_alignment_errors", rate.alignment_errors, "EtherLike-MIB, two looks", rate.over_s);
  teller.count("new_late_collisions", rate.late_collisions, "EtherLike-MIB, two looks", rate.over_s);
  teller.count("new_symbol_errors", rate.symbol_errors, "EtherLike-MIB, two looks", rate.over_s);
  teller.count("new_power_denied", rate.power_denied, "POWER-ETHERNET-MIB, two looks", rate.over_s);
  teller.count("new_power_overloads", rate.power_overloads, "POWER-ETHERNET-MIB, two looks", rate.over_s);
  teller.count("new_power_shorts", rate.power_shorts, "POWER-ETHERNET-MIB, two looks", rate.over_s);
}

}  // namespace

std::vector<Reading> to_readings(const SwitchReport& report, const SwitchPort& port, const std::string& subject, const PortRate* load,
                                 const PortRate* counts) {
  Teller teller(report, subject);
  teller.tell("link_state", port.link_state, "IF-MIB", "if_mib", "the switch does not tell");
  teller.tell("link_speed_bps", port.link_speed_bps, "IF-MIB", "if_mib", "the switch knows no speed while there is no link");
  teller.tell("duplex", port.duplex, "EtherLike-MIB", "etherlike_mib", "the switch does not tell");
  teller.tell("negotiation", port.negotiation, "MAU-MIB", "negotiation", "the switch does not tell");
  teller.tell("offered_speed_bps", fastest_common_bps(port.own_modes, port.peer_modes), "MAU-MIB", "negotiation",
              "the switch does not tell what both ends offer");
  teller.tell("in_errors", port.in_errors, "IF-MIB", "if_mib", "the switch does not tell");
  teller.tell("fcs_errors", port.fcs_errors, "EtherLike-MIB", "etherlike_mib", "the switch does not tell");
  tell_power(teller, port);
  if (load) tell_load(teller, port, *load);
  if (const auto* counted_up = counts ? counts : load) tell_counts(teller, *counted_up);
  return std::move(teller.out);
}

std::vector<Reading> to_readings(const SwitchReport& report, const std::string& subject) {
  std::optional<double> budget, drawn;
  for (const auto& supply : report.supplies) {
    if (supply.power_w && supply.state.value_or("on") == "on") budget = budget.value_or(0) + *supply.power_w;
    if (supply.consumed_w) drawn = drawn.value_or(0) + *supply.consumed_w;
  }
  Teller teller(report, subject);
  // Whole watts: half a watt either way.
  teller.tell("power_budget_w", budget, "POWER-ETHERNET-MIB", "power_supply", "the switch has no POWER-ETHERNET-MIB");
  teller.tell("power_drawn_w", drawn, "POWER-ETHERNET-MIB", "power_supply", "the switch has no POWER-ETHERNET-MIB");
  for (auto& reading : teller.out)
    if (reading.is_read()) reading.uncertainty = 0.5;
  return std::move(teller.out);
}

}  // namespace tallywire::link
