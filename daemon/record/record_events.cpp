// Events, witnesses and the roll; rounds and readings are in record.cpp.
#include "daemon/record/record.hpp"
#include "daemon/record/statement.hpp"

namespace tallywire::record {

using nlohmann::json;

Outcome<std::int64_t> Record::add_event(const std::string& name, const json& data) { return add_events({{name, json_line(data)}}); }

Outcome<std::int64_t> Record::add_events(const std::vector<NewEvent>& events) {
  const std::lock_guard hold(writer_.lock);
  Transaction all(writer_.database, writer_.where);
  if (auto begun = all.begin(); !begun) return begun.error();
  const auto at = to_rfc3339(now_utc());
  for (const auto& event : events) {
    auto done = Statement(writer_.database, writer_.where, "INSERT INTO events (at, name, data) VALUES (?, ?, ?)")
                    .bind(at)
                    .bind(event.name)
                    .bind(event.data)
                    .run();
    if (!done) return done.error();
  }
  const std::int64_t last = sqlite3_last_insert_rowid(writer_.database);
  auto done = Statement(writer_.database, writer_.where, "DELETE FROM events WHERE id <= ?").bind(last - events_kept).run();
  if (!done) return done.error();
  if (auto kept = all.commit(); !kept) return kept.error();
  return last - static_cast<std::int64_t>(events.size()) + 1;
}

Outcome<std::vector<Event>> Record::events_after(std::int64_t id, int limit) {
  auto& reading = reader();
  const std::lock_guard hold(reading.lock);
  Statement rows(reading.database, reading.where, "SELECT id, name, data FROM events WHERE id > ? ORDER BY id LIMIT ?");
  rows.bind(id).bind(static_cast<std::int64_t>(limit));
  std::vector<Event> out;
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) return out;
    out.push_back({rows.integer(0), rows.text(1), json::parse(rows.text(2))});
  }
}

Outcome<std::int64_t> Record::last_event() {
  auto& reading = reader();
  const std::lock_guard hold(reading.lock);
  Statement row(reading.database, reading.where, "SELECT coalesce(max(id), 0) FROM events");
  if (auto there = row.step(); !there) return there.error();
  return row.integer(0);
}

Outcome<void> Record::add_witness(const Witness& w) {
  const std::lock_guard hold(writer_.lock);
  return Statement(writer_.database, writer_.where, "INSERT INTO witnesses (subject, point, by, note, at, undone) VALUES (?, ?, ?, ?, ?, ?)")
      .bind(w.subject)
      .bind(w.point)
      .bind(w.by)
      .bind(w.note)
      .bind(to_rfc3339(w.at))
      .bind(std::int64_t{w.undone})
      .run();
}

Outcome<std::vector<Witness>> Record::witnesses() {
  auto& reading = reader();
  const std::lock_guard hold(reading.lock);
  Statement rows(reading.database, reading.where, "SELECT subject, point, by, note, at, undone FROM witnesses ORDER BY id");
  std::vector<Witness> out;
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) return out;
    out.push_back({rows.text(0), rows.text(1), rows.text(2), rows.text(3), from_rfc3339(rows.text(4)), rows.integer(5) != 0});
  }
}

Outcome<void> Record::save_roll(const std::string& roll) {
  const std::lock_guard hold(writer_.lock);
  return Statement(writer_.database, writer_.where,
                   "INSERT INTO roll (one, entries) VALUES (1, ?) "
                   "ON CONFLICT (one) DO UPDATE SET entries = excluded.entries")
      .bind(roll)
      .run();
}

Outcome<std::optional<json>> Record::roll() {
  auto& reading = reader();
  const std::lock_guard hold(reading.lock);
  Statement row(reading.database, reading.where, "SELECT entries FROM roll WHERE one = 1");
  auto there = row.step();
  if (!there) return there.error();
  if (!*there) return std::optional<json>();
  return std::optional<json>(json::parse(row.text(0)));
}

json summary_of(const RoundHead& head) {
  json out = {{"round", head.id},
              {"kind", head.kind},
              {"state", head.state},
              {"site", head.site},
              {"design_sha256", head.design_sha256},
              {"started", to_rfc3339(head.started)},
              {"ended", nullptr},
              {"accepted", nullptr},
              {"planned_s", head.planned_s},
              {"plan", head.plan},
              {"counts", head.counts},
              {"exit_code", nullptr}};
  if (head.ended) out["ended"] = to_rfc3339(*head.ended);
  if (head.accepted_by) out["accepted"] = {{"by", *head.accepted_by}, {"at", to_rfc3339(*head.accepted_at)}};
  if (head.exit_code) out["exit_code"] = *head.exit_code;
  return out;
}

}  // namespace tallywire::record
