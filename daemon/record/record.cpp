#include "daemon/record/record.hpp"

#include "daemon/record/schema.hpp"
#include "daemon/record/statement.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cmath>
#include <cstring>
#include <filesystem>

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

Reading reading_of(const Statement& row) {
  Reading r;
  r.subject = row.text(0);
  r.quantity = row.text(1);
  if (!row.is_null(2)) r.value = row.real(2);
  if (!row.is_null(3)) r.value = row.text(3);
  r.uncertainty = row.real(4);
  r.when = from_rfc3339(row.text(5));
  r.over = std::chrono::nanoseconds(static_cast<std::int64_t>(row.real(6) * 1e9));
  r.method = row.text(7);
  r.unread = row.text(8);
  return r;
}

// Durable before a call returns: FULL syncs the log at each commit. Readings come in batches, so this
// costs a few syncs a second at most.
Outcome<void> configure(sqlite3* database, const std::string& where) {
  const char* pragmas =
      "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON; "
      "PRAGMA wal_autocheckpoint=1000; PRAGMA journal_size_limit=4194304; PRAGMA cache_size=-2048;";
  if (sqlite3_exec(database, pragmas, nullptr, nullptr, nullptr) != SQLITE_OK)
    return fault_of(database, where);
  sqlite3_busy_timeout(database, 2000);
  return {};
}

}  // namespace

Outcome<std::unique_ptr<Record>> Record::open(const std::string& directory) {
  std::string where = directory;
  if (directory != ":memory:") {
    std::error_code code;
    std::filesystem::create_directories(directory, code);
    if (code)
      return Fault{FaultKind::system, "the record's directory cannot be made: " + code.message(), directory,
                   "name another directory in the settings, or give the right to write there"};
    where = directory + "/record.sqlite";
  }
  std::unique_ptr<Record> record(new Record(nullptr, where));
  if (directory != ":memory:")
    if (auto held = record->hold(directory); !held) return held.error();
  sqlite3*& database = record->database_;
  const int opened = sqlite3_open_v2(
      where.c_str(), &database, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_FULLMUTEX, nullptr);
  if (opened != SQLITE_OK) return fault_of(database, where);
  if (directory != ":memory:") ::chmod(where.c_str(), 0640);
  if (auto done = configure(database, record->where_); !done) return done.error();
  if (auto done = record->migrate(); !done) return done.error();
  if (auto done = record->break_off_running(); !done) return done.error();
  return record;
}

Record::~Record() {
  sqlite3_close_v2(database_);
  if (held_ >= 0) ::close(held_);
}

Outcome<void> Record::hold(const std::string& directory) {
  const std::string path = directory + "/lock";
  held_ = ::open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0640);
  if (held_ < 0)
    return Fault{FaultKind::system, std::string("the record cannot be written: ") + std::strerror(errno), path,
                 "give the service's user the right to write there"};
  if (::flock(held_, LOCK_EX | LOCK_NB) != 0)
    return Fault{FaultKind::system, "another tallywired keeps this record", directory,
                 "end it first, or name another record directory"};
  return {};
}

Outcome<void> Record::migrate() {
  Statement version(database_, where_, "PRAGMA user_version");
  if (auto row = version.step(); !row) return row.error();
  auto have = static_cast<std::size_t>(version.integer(0));
  version.reset();
  if (have > schema_steps.size())
    return Fault{FaultKind::system, "the record was written by a newer Tallywire", where_,
                 "run that version, or name another record directory"};
  for (; have < schema_steps.size(); ++have) {
    Transaction change(database_, where_);
    if (auto begun = change.begin(); !begun) return begun.error();
    const std::string step =
        std::string(schema_steps[have]) + "PRAGMA user_version=" + std::to_string(have + 1) + ";";
    if (sqlite3_exec(database_, step.c_str(), nullptr, nullptr, nullptr) != SQLITE_OK)
      return fault_of(database_, where_);
    if (auto done = change.commit(); !done) return done.error();
  }
  return {};
}

Outcome<void> Record::break_off_running() {
  return Statement(database_, where_, "UPDATE rounds SET state = 'broken_off' WHERE state = 'running'").run();
}

Outcome<std::int64_t> Record::begin_round(const RoundHead& head) {
  const std::lock_guard hold(lock_);
  auto done = Statement(database_, where_,
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
  return static_cast<std::int64_t>(sqlite3_last_insert_rowid(database_));
}

Outcome<void> Record::add_readings(std::int64_t round, const std::vector<Reading>& readings) {
  const std::lock_guard hold(lock_);
  Transaction all(database_, where_);
  if (auto begun = all.begin(); !begun) return begun.error();
  Statement insert(database_, where_,
                   "INSERT INTO readings (round, subject, quantity, number, word, uncertainty, at, over_s, "
                   "method, unread) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)");
  for (const auto& r : readings) {
    insert.bind(round).bind(r.subject).bind(r.quantity);
    // One reading that is no number must not cost its batch: SQLite has no place for it.
    const bool no_number = r.number() && !std::isfinite(*r.number());
    if (r.number() && !no_number) insert.bind(*r.number()); else insert.bind_null();
    insert.bind(r.word()).bind(std::isfinite(r.uncertainty) ? r.uncertainty : 0).bind(to_rfc3339(r.when));
    insert.bind(std::chrono::duration<double>(r.over).count()).bind(r.method);
    if (no_number)
      insert.bind(std::string("what was measured is no finite number"));
    else
      insert.bind(r.is_read() ? std::optional<std::string>() : std::optional(r.unread));
    if (auto done = insert.run(); !done) return done.error();
    insert.reset();
  }
  return all.commit();
}

Outcome<void> Record::end_round(std::int64_t round, const std::string& state, const json& document) {
  const std::lock_guard hold(lock_);
  const auto at = document.find("exit_code");
  const bool has_code = at != document.end() && at->is_number_integer();
  return Statement(database_, where_,
                   "UPDATE rounds SET state = ?, ended = ?, counts = ?, exit_code = ?, plan = ?, "
                   "planned_s = ?, document = ? WHERE id = ?")
      .bind(state)
      .bind(document.value("ended", to_rfc3339(now_utc())))
      .bind(document.contains("counts") ? std::optional(json_line(document.at("counts"))) : std::nullopt)
      .bind(has_code ? std::optional(at->get<std::int64_t>()) : std::nullopt)
      .bind(document.value("plan", std::string()))
      .bind(document.value("planned_s", 0.0))
      .bind(json_line(document))
      .bind(round)
      .run();
}

Outcome<std::vector<Reading>> Record::readings_of(std::int64_t round) {
  const std::lock_guard hold(lock_);
  Statement rows(database_, where_,
                 "SELECT subject, quantity, number, word, uncertainty, at, over_s, method, unread "
                 "FROM readings WHERE round = ? ORDER BY id");
  rows.bind(round);
  std::vector<Reading> out;
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) return out;
    out.push_back(reading_of(rows));
  }
}

Outcome<std::vector<Record::NightReading>> Record::readings_of_nights(const std::vector<std::string>& subjects, const std::string& quantity,
                                                                      int most) {
  const std::lock_guard hold(lock_);
  Statement rows(database_, where_,
                 "SELECT r.subject, r.quantity, r.number, r.word, r.uncertainty, r.at, r.over_s, r.method, r.unread, r.round "
                 "FROM readings r JOIN rounds n ON n.id = r.round WHERE r.subject = ? AND r.quantity = ? AND r.number IS NOT NULL "
                 "AND n.kind = 'night' AND n.state = 'complete' ORDER BY r.at DESC LIMIT ?");
  std::vector<NightReading> out;
  for (const auto& subject : subjects) {
    rows.bind(subject).bind(quantity).bind(static_cast<std::int64_t>(most));
    for (;;) {
      auto row = rows.step();
      if (!row) return row.error();
      if (!*row) break;
      out.push_back({rows.integer(9), reading_of(rows)});
    }
    rows.reset();
  }
  return out;
}

Outcome<std::optional<json>> Record::round_document(std::int64_t id) {
  RoundHead head;
  json document;
  {
    const std::lock_guard hold(lock_);
    Statement heads(database_, where_, (std::string(round_columns) + "WHERE id = ?").c_str());
    auto row = heads.bind(id).step();
    if (!row) return row.error();
    if (!*row) return std::optional<json>();
    head = head_of(heads);
    Statement documents(database_, where_, "SELECT document FROM rounds WHERE id = ?");
    row = documents.bind(id).step();
    if (!row) return row.error();
    if (!documents.is_null(0)) document = json::parse(documents.text(0));
  }
  if (document.is_null()) {
    auto readings = readings_of(id);
    if (!readings) return readings.error();
    document = summary_of(head);
    for (const char* part : {"roll", "strangers", "verdicts", "findings", "headroom", "days_held"})
      document[part] = json::array();
    document["readings"] = *readings;
  }
  document["round"] = head.id;
  document["state"] = head.state;
  document["accepted"] = accepted_of(head);
  return std::optional(document);
}

Outcome<std::vector<RoundHead>> Record::rounds(int limit) {
  const std::lock_guard hold(lock_);
  Statement rows(database_, where_, (std::string(round_columns) + "ORDER BY id DESC LIMIT ?").c_str());
  rows.bind(static_cast<std::int64_t>(limit));
  std::vector<RoundHead> out;
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) return out;
    out.push_back(head_of(rows));
  }
}

Outcome<std::optional<std::int64_t>> Record::latest_round() {
  auto newest = rounds(1);
  if (!newest) return newest.error();
  if (newest->empty()) return std::optional<std::int64_t>();
  return std::optional(newest->front().id);
}

Outcome<void> Record::accept_round(std::int64_t id, const std::string& by, SystemTime at) {
  const std::lock_guard hold(lock_);
  auto done = Statement(database_, where_,
                        "UPDATE rounds SET accepted_by = ?, accepted_at = ? WHERE id = ? AND state = 'complete'")
                  .bind(by)
                  .bind(to_rfc3339(at))
                  .bind(id)
                  .run();
  if (!done) return done.error();
  if (sqlite3_changes(database_) == 0)
    return Fault{FaultKind::bad_request, "only a complete round can be accepted", "round " + std::to_string(id),
                 "run `tallywire round` to its end first"};
  return {};
}

}  // namespace tallywire::record
