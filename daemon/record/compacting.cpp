// The second version of the tables: what the first one kept in text goes into the compact ones. In the step's own transaction:
// killed or failed, the old file stays as it was.
#include "daemon/record/reading_rows.hpp"
#include "daemon/record/round_writer.hpp"
#include "daemon/record/schema.hpp"

#include <nlohmann/json.hpp>

namespace tallywire::record {

namespace {

Reading reading_of_version_1(const Statement& row) {
  Reading r;
  r.subject = row.text(1);
  r.quantity = row.text(2);
  if (!row.is_null(3)) r.value = row.real(3);
  if (!row.is_null(4)) r.value = row.text(4);
  r.uncertainty = row.real(5);
  r.when = from_rfc3339(row.text(6));
  r.over = std::chrono::nanoseconds(static_cast<std::int64_t>(row.real(7) * 1e9));
  r.method = row.text(8);
  r.unread = row.text(9);
  return r;
}

Outcome<void> compact_all_readings(Connection& connection) {
  Statement rows(connection.database, connection.where,
                 "SELECT round, subject, quantity, number, word, uncertainty, at, over_s, method, unread FROM readings_1 ORDER BY id");
  ReadingWriter writer(connection);
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) return {};
    if (auto added = writer.add(rows.integer(0), reading_of_version_1(rows)); !added) return added.error();
  }
}

Outcome<void> part_all_documents(Connection& connection) {
  Statement rows(connection.database, connection.where, "SELECT id, document FROM rounds WHERE document IS NOT NULL ORDER BY id");
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) return {};
    const auto round = rows.integer(0);
    const auto document = nlohmann::json::parse(rows.text(1), nullptr, false);
    if (!document.is_object())
      return Fault{FaultKind::system, "the document of round " + std::to_string(round) + " in the record is damaged", connection.where,
                   "move the file away and restore a copy; it was not touched"};
    auto done = write_parts(connection, round, parts_of(document));
    if (done) done = write_units(connection, round, unit_outcomes(document));
    if (!done) return done;
  }
}

}  // namespace

Outcome<void> compact_readings(sqlite3* database, const std::string& where) {
  Connection connection(where);
  connection.database = database;
  auto done = compact_all_readings(connection);
  if (done) done = part_all_documents(connection);
  connection.database = nullptr;  // it is the caller's
  return done;
}

}  // namespace tallywire::record
