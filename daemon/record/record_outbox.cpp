// What nights leave behind: the accepted round, small state, and the messages that wait to be told.
#include "daemon/record/record.hpp"
#include "daemon/record/statement.hpp"

namespace tallywire::record {

using nlohmann::json;

namespace {

constexpr std::int64_t outbox_kept = 4000;  // of those that are done

Outcome<json> parsed(const std::string& text, const char* what) {
  auto value = json::parse(text, nullptr, false);
  if (value.is_discarded()) return Fault{FaultKind::malformed, std::string(what) + " in the record is damaged", "", "restore a copy of the record"};
  Outcome<json> out(boost::system::in_place_value, std::move(value));
  return out;
}

}  // namespace

Outcome<std::optional<std::int64_t>> Record::accepted_round() {
  auto& reading = reader();
  const std::lock_guard hold(reading.lock);
  Statement row(reading.database, reading.where, "SELECT id FROM rounds WHERE accepted_at IS NOT NULL ORDER BY accepted_at DESC, id DESC LIMIT 1");
  auto there = row.step();
  if (!there) return there.error();
  if (!*there) return std::optional<std::int64_t>();
  return std::optional(row.integer(0));
}

Outcome<std::vector<Record::WholeRound>> Record::whole_rounds_after(std::int64_t id, int most) {
  auto& reading = reader();
  const std::lock_guard hold(reading.lock);
  Statement rows(reading.database, reading.where,
                 "SELECT id, kind, started FROM rounds WHERE id > ? AND state = 'complete' AND kind <> 'prove' ORDER BY id DESC LIMIT ?");
  rows.bind(id).bind(static_cast<std::int64_t>(most));
  std::vector<WholeRound> out;
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) return out;
    out.insert(out.begin(), {rows.integer(0), rows.text(1), from_rfc3339(rows.text(2))});
  }
}

Outcome<std::optional<Record::WholeRound>> Record::whole_round(std::int64_t id) {
  auto& reading = reader();
  const std::lock_guard hold(reading.lock);
  Statement row(reading.database, reading.where, "SELECT id, kind, started FROM rounds WHERE id = ? AND state = 'complete' AND kind <> 'prove'");
  auto there = row.bind(id).step();
  if (!there) return there.error();
  if (!*there) return std::optional<WholeRound>();
  return std::optional(WholeRound{row.integer(0), row.text(1), from_rfc3339(row.text(2))});
}

Outcome<json> Record::kept(const std::string& name) {
  auto& reading = reader();
  const std::lock_guard hold(reading.lock);
  Statement row(reading.database, reading.where, "SELECT value FROM kept WHERE name = ?");
  auto there = row.bind(name).step();
  if (!there) return there.error();
  if (*there) return parsed(row.text(0), "what was kept of the nights");
  Outcome<json> none(boost::system::in_place_value, json());
  return none;
}

Outcome<void> Record::keep(const std::vector<std::pair<std::string, json>>& state, const std::vector<OutboxMessage>& messages) {
  const std::lock_guard hold(writer_.lock);
  Transaction all(writer_.database, writer_.where);
  if (auto begun = all.begin(); !begun) return begun.error();
  for (const auto& [name, value] : state) {
    auto done = Statement(writer_.database, writer_.where, "INSERT INTO kept (name, value) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value")
                    .bind(name)
                    .bind(json_line(value))
                    .run();
    if (!done) return done.error();
  }
  const auto now = to_rfc3339(now_utc());
  for (const auto& m : messages) {
    auto done = Statement(writer_.database, writer_.where,
                          "INSERT OR IGNORE INTO outbox (way, key, made, message, state, tries, next_try, fault) VALUES (?, ?, ?, ?, 'waiting', 0, ?, '')")
                    .bind(m.way)
                    .bind(m.key)
                    .bind(now)
                    .bind(json_line(m.message))
                    .bind(now)
                    .run();
    if (!done) return done.error();
  }
  auto pruned = Statement(writer_.database, writer_.where, "DELETE FROM outbox WHERE state <> 'waiting' AND id <= (SELECT coalesce(max(id), 0) FROM outbox) - ?").bind(outbox_kept).run();
  if (!pruned) return pruned.error();
  return all.commit();
}

Outcome<std::optional<Record::OutboxEntry>> Record::next_waiting(const std::string& way) {
  auto& reading = reader();
  const std::lock_guard hold(reading.lock);
  Statement row(reading.database, reading.where, "SELECT id, key, message, made, next_try, tries FROM outbox WHERE way = ? AND state = 'waiting' ORDER BY id LIMIT 1");
  auto there = row.bind(way).step();
  if (!there) return there.error();
  if (!*there) return std::optional<OutboxEntry>();
  OutboxEntry out;
  out.id = row.integer(0);
  out.key = row.text(1);
  auto message = parsed(row.text(2), "a message that waits");
  if (!message) return message.error();
  out.message = std::move(*message);
  out.made = from_rfc3339(row.text(3));
  out.next_try = from_rfc3339(row.text(4));
  out.tries = static_cast<int>(row.integer(5));
  return std::optional(std::move(out));
}

Outcome<void> Record::mark_outbox(std::int64_t id, const std::string& state, int tries, SystemTime next_try, const std::string& fault) {
  const std::lock_guard hold(writer_.lock);
  const bool done = state != "waiting";
  return Statement(writer_.database, writer_.where, "UPDATE outbox SET state = ?, tries = ?, next_try = ?, fault = ?, done = ? WHERE id = ?")
      .bind(state)
      .bind(static_cast<std::int64_t>(tries))
      .bind(to_rfc3339(next_try))
      .bind(fault)
      .bind(done ? std::optional(to_rfc3339(now_utc())) : std::nullopt)
      .bind(id)
      .run();
}

Outcome<json> Record::outbox_state(const std::string& way) {
  auto& reading = reader();
  const std::lock_guard hold(reading.lock);
  json out = {{"waiting", 0}, {"told", 0}, {"given_up", 0}, {"last_told", nullptr}, {"last_fault", nullptr}, {"next_try", nullptr}};
  Statement counts(reading.database, reading.where, "SELECT state, count(*), max(done) FROM outbox WHERE way = ? GROUP BY state");
  counts.bind(way);
  for (;;) {
    auto row = counts.step();
    if (!row) return row.error();
    if (!*row) break;
    out[counts.text(0)] = counts.integer(1);
    if (counts.text(0) == "told") out["last_told"] = counts.text(2);
  }
  Statement fault(reading.database, reading.where, "SELECT fault FROM outbox WHERE way = ? AND fault <> '' ORDER BY id DESC LIMIT 1");
  auto there = fault.bind(way).step();
  if (!there) return there.error();
  if (*there) out["last_fault"] = fault.text(0);
  Statement next(reading.database, reading.where, "SELECT next_try FROM outbox WHERE way = ? AND state = 'waiting' ORDER BY id LIMIT 1");
  there = next.bind(way).step();
  if (!there) return there.error();
  if (*there) out["next_try"] = next.text(0);
  Outcome<json> answer(boost::system::in_place_value, std::move(out));
  return answer;
}

}  // namespace tallywire::record
