// Rounds and their documents.
#include "daemon/record/reading_text.hpp"
#include "daemon/record/record.hpp"
#include "daemon/record/round_parts.hpp"
#include "daemon/record/round_writer.hpp"
#include "daemon/record/statement.hpp"


namespace tallywire::record {
namespace {

using nlohmann::json;

const char* const round_columns =
    "SELECT id, kind, state, site, design_sha256, plan, planned_s, started, ended, accepted_by, "
    "accepted_at, counts, exit_code FROM rounds ";

RoundHead head_of(const Statement& row) {
  RoundHead head;
  head.id = row.integer(0);
  head.kind = row.text(1);
  head.state = row.text(2);
  head.site = row.text(3);
  head.design_sha256 = row.text(4);
  head.plan = row.text(5);
  head.planned_s = row.real(6);
  head.started = from_rfc3339(row.text(7));
  if (!row.is_null(8)) head.ended = from_rfc3339(row.text(8));
  if (!row.is_null(9)) head.accepted_by = row.text(9);
  if (!row.is_null(10)) head.accepted_at = from_rfc3339(row.text(10));
  if (!row.is_null(11)) head.counts = json::parse(row.text(11));
  if (!row.is_null(12)) head.exit_code = static_cast<int>(row.integer(12));
  return head;
}

json accepted_of(const RoundHead& head) {
  if (!head.accepted_by) return nullptr;
  return {{"by", *head.accepted_by}, {"at", to_rfc3339(*head.accepted_at)}};
}

Outcome<std::vector<RoundHead>> heads_in(Statement& rows) {
  std::vector<RoundHead> out;
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) return out;
    out.push_back(head_of(rows));
  }
}

}  // namespace

Outcome<std::int64_t> Record::begin_round(const RoundHead& head) {
  const std::lock_guard hold(writer_.lock);
  auto done = Statement(writer_.database, writer_.where,
                        "INSERT INTO rounds (kind, state, site, design_sha256, plan, planned_s, started) "
                        "VALUES (?, 'running', ?, ?, ?, ?, ?)")
                  .bind(head.kind)
                  .bind(head.site)
                  .bind(head.design_sha256)
                  .bind(head.plan)
                  .bind(head.planned_s)
                  .bind(to_rfc3339(head.started))
                  .run();
  if (!done) return done.error();
  return static_cast<std::int64_t>(sqlite3_last_insert_rowid(writer_.database));
}

Outcome<void> Record::end_round(std::int64_t round, const std::string& state, const json& document) {
  const auto parts = parts_of(document);  // packing takes a while: before the lock
  const auto at = document.find("exit_code");
  const bool has_code = at != document.end() && at->is_number_integer();
  const std::lock_guard hold(writer_.lock);
  Transaction all(writer_.database, writer_.where);
  if (auto begun = all.begin(); !begun) return begun.error();
  auto done = Statement(writer_.database, writer_.where,
                        "UPDATE rounds SET state = ?, ended = ?, counts = ?, exit_code = ?, plan = ?, planned_s = ? WHERE id = ?")
                  .bind(state)
                  .bind(document.value("ended", to_rfc3339(now_utc())))
                  .bind(document.contains("counts") ? std::optional(json_line(document.at("counts"))) : std::nullopt)
                  .bind(has_code ? std::optional(at->get<std::int64_t>()) : std::nullopt)
                  .bind(document.value("plan", std::string()))
                  .bind(document.value("planned_s", 0.0))
                  .bind(round)
                  .run();
  if (done) done = write_parts(writer_, round, parts);
  if (done) done = write_units(writer_, round, unit_outcomes(document));
  if (done) done = all.commit();
  if (!done) writer_.names.forget();
  return done;
}

Outcome<void> Record::break_off(std::int64_t round) {
  const std::lock_guard hold(writer_.lock);
  return Statement(writer_.database, writer_.where, "UPDATE rounds SET state = 'broken_off', ended = ? WHERE id = ? AND state = 'running'")
      .bind(to_rfc3339(now_utc()))
      .bind(round)
      .run();
}

Outcome<std::optional<RoundHead>> Record::head_of_round(std::int64_t id) {
  auto& from = reader();
  const std::lock_guard hold(from.lock);
  Statement heads(from.database, from.where, (std::string(round_columns) + "WHERE id = ?").c_str());
  auto found = heads_in(heads.bind(id));
  if (!found) return found.error();
  if (found->empty()) return std::optional<RoundHead>();
  return std::optional(std::move(found->front()));
}

// Its parts one behind the other: empty when it has none.
Outcome<std::string> Record::text_of_parts(const RoundHead& head) {
  auto& from = reader();
  const std::lock_guard hold(from.lock);
  Statement rows(from.database, from.where, "SELECT part, bytes, text FROM round_parts WHERE round = ? ORDER BY id");
  rows.bind(head.id);
  std::string out;
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) break;
    auto text = unpack(rows.text(2), static_cast<std::size_t>(rows.integer(1)));
    if (!text) return text.error();
    if (rows.text(0) != "head") {
      out += "," + json_line(rows.text(0)) + ":" + *text;
      continue;
    }
    auto document = json::parse(*text, nullptr, false);
    if (!document.is_object()) return Fault{FaultKind::system, "a round's document in the record is damaged", from.where, "restore a copy of the record"};
    document["round"] = head.id;
    document["state"] = head.state;
    document["accepted"] = accepted_of(head);
    out = json_line(document);
    out.pop_back();
  }
  return out.empty() ? out : out + "}";
}

Outcome<std::optional<std::string>> Record::round_text(std::int64_t id) {
  auto head = head_of_round(id);
  if (!head) return head.error();
  if (!*head) return std::optional<std::string>();
  auto text = text_of_parts(**head);
  if (!text) return text.error();
  if (!text->empty()) return std::optional(std::move(*text));
  auto readings = readings_of(id);
  if (!readings) return readings.error();
  auto document = summary_of(**head);
  for (const char* part : {"roll", "strangers", "verdicts", "findings", "headroom", "days_held"}) document[part] = json::array();
  auto out = json_line(document);
  out.pop_back();
  JsonText list;
  list.begin_array();
  for (const auto& reading : *readings) {
    list.begin_object();
    write_fields(list, reading);
    list.end_object();
  }
  list.end_array();
  return std::optional(out + ",\"readings\":" + std::string(list.text()) + "}");
}

Outcome<std::optional<json>> Record::round_document(std::int64_t id) {
  auto text = round_text(id);
  if (!text) return text.error();
  if (!*text) return std::optional<json>();
  return std::optional(json::parse(**text));
}

Outcome<std::optional<std::pair<std::int64_t, json>>> Record::newest_part(const std::string& part, bool filled) {
  auto& from = reader();
  const std::lock_guard hold(from.lock);
  constexpr std::int64_t empty_list_bytes = 2;
  Statement row(from.database, from.where,
                "SELECT n.id, p.bytes, p.text FROM rounds n CROSS JOIN round_parts p ON p.round = n.id AND p.part = ? AND p.bytes > ? "
                "WHERE n.state = 'complete' AND n.kind <> 'prove' ORDER BY n.id DESC LIMIT 1");
  auto there = row.bind(part).bind(filled ? empty_list_bytes : std::int64_t{0}).step();
  if (!there) return there.error();
  if (!*there) return std::optional<std::pair<std::int64_t, json>>();
  auto text = unpack(row.text(2), static_cast<std::size_t>(row.integer(1)));
  if (!text) return text.error();
  return std::optional(std::pair(row.integer(0), json::parse(*text)));
}

Outcome<std::vector<RoundHead>> Record::rounds(int limit) {
  auto& from = reader();
  const std::lock_guard hold(from.lock);
  Statement rows(from.database, from.where, (std::string(round_columns) + "ORDER BY id DESC LIMIT ?").c_str());
  return heads_in(rows.bind(static_cast<std::int64_t>(limit)));
}

Outcome<std::vector<RoundHead>> Record::rounds_between(std::int64_t first, std::int64_t last, SystemTime since, std::int64_t after, int limit) {
  auto& from = reader();
  const std::lock_guard hold(from.lock);
  Statement rows(from.database, from.where,
                 (std::string(round_columns) + "WHERE id >= ? AND id > ? AND id <= ? AND started >= ? ORDER BY id LIMIT ?").c_str());
  rows.bind(first).bind(after).bind(last).bind(to_rfc3339(since)).bind(static_cast<std::int64_t>(limit));
  return heads_in(rows);
}

Outcome<std::optional<RoundHead>> Record::newest_complete(bool night) {
  auto& from = reader();
  const std::lock_guard hold(from.lock);
  const char* of = night ? "WHERE state = 'complete' AND kind = 'night' ORDER BY id DESC LIMIT 1"
                         : "WHERE state = 'complete' AND kind <> 'prove' ORDER BY id DESC LIMIT 1";
  Statement rows(from.database, from.where, (std::string(round_columns) + of).c_str());
  auto found = heads_in(rows);
  if (!found) return found.error();
  if (found->empty()) return std::optional<RoundHead>();
  return std::optional(std::move(found->front()));
}

Outcome<std::optional<std::int64_t>> Record::latest_round() {
  auto newest = rounds(1);
  if (!newest) return newest.error();
  if (newest->empty()) return std::optional<std::int64_t>();
  return std::optional(newest->front().id);
}

Outcome<void> Record::accept_round(std::int64_t id, const std::string& by, SystemTime at) {
  const std::lock_guard hold(writer_.lock);
  auto done = Statement(writer_.database, writer_.where,
                        "UPDATE rounds SET accepted_by = ?, accepted_at = ? WHERE id = ? AND state = 'complete' AND kind <> 'prove' "
                        "AND thinned < 2")  // its readings are there: without them nothing would ever differ from it
                  .bind(by)
                  .bind(to_rfc3339(at))
                  .bind(id)
                  .run();
  if (!done) return done.error();
  if (sqlite3_changes(writer_.database) == 0)
    return Fault{FaultKind::bad_request, "only a complete round of the whole site whose readings are still kept can be accepted", "round " + std::to_string(id),
                 "run `tallywire round` to its end first"};
  return {};
}

}  // namespace tallywire::record
