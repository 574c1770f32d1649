// What is asked of an open session: single values, and columns in bulk.
#include "probes/link/snmp_parts.hpp"

#include <algorithm>

namespace tallywire::link {
namespace {

constexpr std::size_t most_values_in_a_message = 1200;  // some 25 kB: a burst that switches still answer

}  // namespace

// Where a column's walk stands.
struct SnmpSession::Cursor {
  Oid column;
  Oid next;
  std::vector<SnmpValue> values;
  std::optional<Fault> fault;
  bool ended = false;

  void fail(Fault f) {
    fault = std::move(f);
    ended = true;
  }
  void take(const netsnmp_variable_list& v, const std::string& where) {
    const Oid at(v.name, v.name + v.name_length);
    const bool inside = at.size() > column.size() && std::equal(column.begin(), column.end(), at.begin());
    if (!inside || v.type == SNMP_ENDOFMIBVIEW) {
      ended = true;
    } else if (at <= next) {
      fail({FaultKind::malformed, "the switch's table goes in a circle", where,
            "the switch's firmware is at fault; the table was cut off"});
    } else if (values.size() >= most_values) {
      fail({FaultKind::malformed, "the switch's table does not end", where, "the table was cut off"});
    } else {
      next = at;
      values.push_back(value_of(v));
      values.back().index.assign(at.begin() + static_cast<std::ptrdiff_t>(column.size()), at.end());
    }
  }
};

Outcome<SnmpValue> SnmpSession::get(const Oid& asked) {
  auto values = get(std::vector<Oid>{asked});
  if (!values) return values.error();
  if (!values->front()) return Fault{FaultKind::unsupported, "the switch does not have it", where_, ""};
  return std::move(*values->front());
}

Outcome<std::vector<std::optional<SnmpValue>>> SnmpSession::get(const std::vector<Oid>& asked) {
  auto answer = exchange(SNMP_MSG_GET, asked, nullptr);
  if (!answer) return answer.error();
  if (answer->pdu->errstat != SNMP_ERR_NOERROR) return fault_of_status(answer->pdu->errstat, where_);
  std::vector<std::optional<SnmpValue>> out(asked.size());
  std::size_t i = 0;
  for (const auto* v = answer->pdu->variables; v && i < out.size(); v = v->next_variable, ++i)
    if (v->type != SNMP_NOSUCHOBJECT && v->type != SNMP_NOSUCHINSTANCE && v->type != SNMP_ENDOFMIBVIEW) out[i] = value_of(*v);
  return out;
}

Outcome<std::vector<bool>> SnmpSession::holds(const std::vector<Oid>& subtrees) {
  auto answer = exchange(SNMP_MSG_GETNEXT, subtrees, nullptr);
  if (!answer) return answer.error();
  if (answer->pdu->errstat != SNMP_ERR_NOERROR) return fault_of_status(answer->pdu->errstat, where_);
  std::vector<bool> out(subtrees.size());
  std::size_t i = 0;
  for (const auto* v = answer->pdu->variables; v && i < out.size(); v = v->next_variable, ++i)
    out[i] = v->type != SNMP_ENDOFMIBVIEW && v->name_length > subtrees[i].size() &&
             std::equal(subtrees[i].begin(), subtrees[i].end(), v->name);
  return out;
}

// All of `active` to their ends. An error of the agent's is pinned on its column by asking each alone.
void SnmpSession::advance(std::vector<Cursor*> active, std::size_t rows) {
  for (;;) {
    std::erase_if(active, [](const Cursor* c) { return c->ended; });
    if (active.empty()) return;
    std::vector<Oid> asked;
    for (const auto* c : active) asked.push_back(c->next);
    const std::size_t fit = std::max<std::size_t>(1, values_ / active.size()), have = active.front()->values.size();
    // One row more than there should be shows the end.
    const long wanted = static_cast<long>(rows > 0 && have <= rows ? std::min(fit, rows + 1 - have) : fit);
    long repetitions = wanted;
    auto answer = exchange(SNMP_MSG_GETBULK, asked, &repetitions);
    if (repetitions < wanted) values_ = active.size() * static_cast<std::size_t>(repetitions);
    if (!answer) {
      for (auto* c : active) c->fail(answer.error());
      return;
    }
    if (const long status = answer->pdu->errstat; status == SNMP_ERR_TOOBIG && repetitions > 1) {
      values_ = active.size() * static_cast<std::size_t>(repetitions / 2);
      continue;
    } else if (status != SNMP_ERR_NOERROR) {
      if (active.size() == 1) return active.front()->fail(fault_of_status(status, where_));
      for (auto* c : active) advance({c}, rows);
      return;
    }
    std::size_t got = 0;
    for (const auto* v = answer->pdu->variables; v; v = v->next_variable, ++got)
      if (auto& cursor = *active[got % active.size()]; !cursor.ended) cursor.take(*v, where_);
    if (got == 0)
      for (auto* c : active) c->ended = true;
    // What the agent cut off would only be looked up in vain again.
    const bool whole = got >= active.size() * static_cast<std::size_t>(repetitions);
    if (!whole)
      values_ = std::max(got, active.size());
    else if (static_cast<std::size_t>(wanted) == fit)
      values_ = std::min(values_ * 2, most_values_in_a_message);
  }
}

std::vector<SnmpColumn> SnmpSession::walk(const std::vector<Oid>& columns, std::size_t rows) {
  std::vector<Cursor> cursors;
  cursors.reserve(columns.size());
  for (const auto& column : columns) cursors.push_back({column, column, {}, {}, false});
  std::vector<Cursor*> active;
  for (auto& cursor : cursors) active.push_back(&cursor);
  advance(std::move(active), rows);
  std::vector<SnmpColumn> out;
  for (auto& cursor : cursors)
    cursor.fault ? out.emplace_back(std::move(*cursor.fault)) : out.emplace_back(std::move(cursor.values));
  return out;
}

SnmpColumn SnmpSession::walk(const Oid& column) { return std::move(walk(std::vector<Oid>{column}).front()); }

}  // namespace tallywire::link
