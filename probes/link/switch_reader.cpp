#include "probes/link/switch_reader.hpp"

#include "probes/link/switch_tables.hpp"
#include "probes/wire/printable.hpp"

#include <algorithm>

namespace tallywire::link {
namespace {

// RFC 3418, RFC 2863, RFC 4188; check-values section 11.
const Oid sys_descr = {1, 3, 6, 1, 2, 1, 1, 1, 0}, sys_uptime = {1, 3, 6, 1, 2, 1, 1, 3, 0},
          sys_name = {1, 3, 6, 1, 2, 1, 1, 5, 0}, if_number = {1, 3, 6, 1, 2, 1, 2, 1, 0},
          aging_time = {1, 3, 6, 1, 2, 1, 17, 4, 2, 0};
constexpr std::size_t most_expected_interfaces = 4096;

void say_where_ports_lead(SwitchReport& report) {
  for (auto& port : report.ports) {
    const bool bridge = std::any_of(report.neighbours.begin(), report.neighbours.end(), [&](const SwitchNeighbour& n) {
      return n.index == port.index && n.bridges.value_or(false);
    });
    port.leads_to = bridge                                               ? "switch"
                    : port.learnt.empty()                                ? "unknown"
                    : port.learnt.size() > SwitchPort::most_of_a_unit ? "many"
                                                                         : "unit";
  }
}

}  // namespace

std::string TableRow::text(std::uint32_t column) const {
  const auto* v = find(column);
  return v ? wire::printable(v->octets) : std::string();
}

void SwitchTables::look_for(const std::vector<Oid>& entries) {
  const auto have = session.holds(entries);
  if (!have) return;  // then each is walked, and says for itself what it lacks
  for (std::size_t i = 0; i < entries.size(); ++i) there_[entries[i]] = (*have)[i];
}

Table SwitchTables::read(const Oid& entry, std::initializer_list<std::uint32_t> columns, std::size_t rows, const char* key,
                         const char* when_missing) {
  Table out;
  std::string fault;
  if (const auto known = there_.find(entry); known == there_.end() || known->second) {
    std::vector<Oid> asked;
    for (const auto column : columns) {
      asked.push_back(entry);
      asked.back().push_back(column);
    }
    const auto walked = session.walk(asked, rows);
    for (std::size_t i = 0; i < asked.size(); ++i) {
      if (!walked[i]) {
        if (fault.empty()) fault = walked[i].error().what;
        continue;
      }
      for (const auto& value : *walked[i]) out[value.index].columns[asked[i].back()] = value;
    }
  }
  if (!fault.empty())
    report.unread[key] = fault;
  else if (out.empty() && *when_missing != '\0')
    report.unread.try_emplace(key, when_missing);
  return out;
}

SwitchPort* SwitchTables::port(std::uint32_t index) {
  if (ports_.size() != report.ports.size()) {
    ports_.clear();
    for (std::size_t i = 0; i < report.ports.size(); ++i) ports_[report.ports[i].index] = i;
  }
  const auto at = ports_.find(index);
  return at == ports_.end() ? nullptr : &report.ports[at->second];
}

std::optional<std::uint32_t> SwitchTables::interface_of(std::uint32_t bridge_port) const {
  const auto at = bridge_ports.find(bridge_port);
  return at == bridge_ports.end() ? std::nullopt : std::optional(at->second);
}

Outcome<SwitchReport> read_switch(const SwitchAccess& access, std::chrono::milliseconds limit) {
  const auto began = std::chrono::steady_clock::now();
  auto session = SnmpSession::open(access, limit);
  if (!session) return session.error();
  SwitchReport out;
  out.address = access.address;
  auto head = (*session)->get({sys_uptime, sys_name, sys_descr, if_number, aging_time});
  if (!head) return head.error();
  const auto& [uptime, name, descr, count, aging] = std::tie((*head)[0], (*head)[1], (*head)[2], (*head)[3], (*head)[4]);
  out.when = now_utc();
  if (uptime)
    out.sys_uptime_s = static_cast<double>(uptime->number) / 100;
  else
    out.unread["sys_uptime_s"] = "the switch does not tell: a restart of its counters cannot be seen";
  if (name) out.sys_name = wire::printable(name->octets);
  if (descr) out.sys_descr = wire::printable(descr->octets);
  if (aging) out.learnt_for_s = static_cast<double>(aging->number);
  SwitchTables tables(**session, out);
  tables.look_for(tables_of_a_switch());
  read_interfaces(tables, count ? std::min<std::size_t>(count->number, most_expected_interfaces) : 0);
  read_addresses(tables);
  read_neighbours(tables);
  read_power(tables, read_entities(tables));
  say_where_ports_lead(out);
  out.read_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
  out.messages = (*session)->exchanges();
  return out;
}

}  // namespace tallywire::link
