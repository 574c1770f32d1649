// What is thinned when, by the rule of docs/record.md.
#include "daemon/record/reading_rows.hpp"
#include "daemon/record/record.hpp"

#include <set>

namespace tallywire::record {

namespace {

using namespace std::chrono_literals;
constexpr auto detail_kept_for = 24h * 30;
constexpr auto readings_kept_for = 24h * 400;
constexpr auto week = 24h * 7;
constexpr std::int64_t rows_a_step = 2000;

// `rounds.thinned`
enum Thinned : std::int64_t { whole = 0, without_detail = 1, without_readings = 2 };

struct Due {
  std::int64_t round = 0;
  Thinned becomes = whole;
};

struct Row {
  std::int64_t id = 0, thinned = 0;
  std::string kind;
  bool complete = false, kept_for_ever = false;
  SystemTime started{};
};

Outcome<std::vector<Row>> ended_rounds(Connection& from) {
  Statement rows(from.database, from.where,
                 "SELECT id, thinned, kind, state = 'complete', accepted_by IS NOT NULL, started FROM rounds WHERE state <> 'running' ORDER BY id DESC");
  std::vector<Row> out;
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) return out;
    out.push_back({rows.integer(0), rows.integer(1), rows.text(2), rows.integer(3) != 0, rows.integer(4) != 0, from_rfc3339(rows.text(5))});
  }
}

// The oldest round that has more than its age lets it have. `rounds` has the newest first.
std::optional<Due> next_due(const std::vector<Row>& rounds, SystemTime now) {
  std::optional<Due> out;
  std::set<std::pair<std::string, std::int64_t>> weeks;  // those that have their round
  for (const auto& r : rounds) {
    const bool whole_site = r.complete && r.kind != "prove";
    const bool newest = whole_site && weeks.empty();
    const bool of_the_week = whole_site && weeks.emplace(r.kind, r.started.time_since_epoch() / week).second;
    if (r.kept_for_ever || newest) continue;
    if (now - r.started > readings_kept_for && !of_the_week && r.thinned < without_readings) out = Due{r.id, without_readings};
    else if (now - r.started > detail_kept_for && r.thinned < without_detail) out = Due{r.id, without_detail};
  }
  return out;
}

// Removes some rows of `what`, a range of the key; true: there were no more.
Outcome<bool> remove_some(Connection& to, std::int64_t round, std::optional<std::int64_t> quantity) {
  const std::string range = quantity ? "round = ?1 AND quantity = ?2" : "round = ?1 AND quantity >= ?2";
  Statement end(to.database, to.where,
                ("SELECT quantity, subject FROM readings WHERE " + range + " ORDER BY quantity, subject LIMIT 1 OFFSET ?3").c_str());
  auto there = end.bind(round).bind(quantity.value_or(0)).bind(rows_a_step).step();
  if (!there) return there.error();
  if (!*there) {
    auto done = Statement(to.database, to.where, ("DELETE FROM readings WHERE " + range).c_str()).bind(round).bind(quantity.value_or(0)).run();
    if (!done) return done.error();
    return true;
  }
  Statement remove(to.database, to.where, "DELETE FROM readings WHERE round = ? AND (quantity, subject) <= (?, ?) AND quantity >= ?");
  auto done = remove.bind(round).bind(end.integer(0)).bind(end.integer(1)).bind(quantity.value_or(0)).run();
  if (!done) return done.error();
  return false;
}

Outcome<bool> remove_detail(Connection& to, std::int64_t round) {
  for (const char* quantity : detail_quantities) {
    auto number = to.names.find(quantity);
    if (!number) return number.error();
    if (!*number) continue;
    auto none_left = remove_some(to, round, **number);
    if (!none_left || !*none_left) return none_left;
  }
  return true;
}

}  // namespace

Outcome<bool> Record::thin(SystemTime now) {
  std::optional<Due> due;
  {
    auto& from = reader();
    const std::lock_guard hold(from.lock);
    auto rounds = ended_rounds(from);
    if (!rounds) return rounds.error();
    due = next_due(*rounds, now);
  }
  if (!due) return false;
  const std::lock_guard hold(writer_.lock);
  Transaction all(writer_.database, writer_.where);
  if (auto begun = all.begin(); !begun) return begun.error();
  Statement unaccepted(writer_.database, writer_.where, "SELECT 1 FROM rounds WHERE id = ? AND accepted_by IS NULL");
  auto still = unaccepted.bind(due->round).step();
  if (!still) return still.error();
  unaccepted.reset();
  if (!*still) return true;  // somebody has accepted it since the look
  auto none_left = due->becomes == without_readings ? remove_some(writer_, due->round, std::nullopt) : remove_detail(writer_, due->round);
  if (!none_left) return none_left.error();
  if (*none_left) {
    Statement mark(writer_.database, writer_.where, "UPDATE rounds SET thinned = ? WHERE id = ?");
    if (auto marked = mark.bind(std::int64_t{due->becomes}).bind(due->round).run(); !marked) return marked.error();
  }
  if (auto done = all.commit(); !done) return done.error();
  return true;
}

}  // namespace tallywire::record
