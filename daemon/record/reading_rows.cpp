#include "daemon/record/reading_rows.hpp"

#include <algorithm>
#include <cmath>
#include <iterator>

namespace tallywire::record {

bool is_detail(const std::string& quantity) {
  return std::find(std::begin(detail_quantities), std::end(detail_quantities), quantity) != std::end(detail_quantities);
}

Outcome<void> read_row(Connection& connection, const Statement& row, Reading& r) {
  auto& names = connection.names;
  auto done = names.read(row, 0, r.quantity);
  if (done) done = names.read(row, 1, r.subject);
  if (done) done = names.read(row, 7, r.method);
  if (!row.is_null(2)) r.value = row.real(2);
  if (done && !row.is_null(3)) done = names.read(row, 3, r.value.emplace<std::string>());
  r.uncertainty = row.real(4);
  r.when = SystemTime(std::chrono::milliseconds(row.integer(5)));
  r.over = std::chrono::nanoseconds(row.integer(6));
  if (done && !row.is_null(8)) done = names.read(row, 8, r.unread);
  return done;
}

ReadingWriter::ReadingWriter(Connection& connection)
    : connection_(connection),
      insert_(connection.database, connection.where,
              "INSERT INTO readings (round, quantity, subject, n, number, word, uncertainty, at_ms, over_ns, method, unread) VALUES (?1, ?2, ?3, "
              "(SELECT coalesce(max(n) + 1, 0) FROM readings WHERE round = ?1 AND quantity = ?2 AND subject = ?3), ?4, ?5, ?6, ?7, ?8, ?9, ?10)") {}

Outcome<void> ReadingWriter::add(std::int64_t round, const Reading& r) {
  auto& names = connection_.names;
  auto quantity = names.number_of(r.quantity);
  if (!quantity) return quantity.error();
  auto subject = names.number_of(r.subject);
  if (!subject) return subject.error();
  insert_.bind(round).bind(*quantity).bind(*subject);
  // One reading that is no number must not cost its batch: SQLite has no place for it.
  const auto number = r.number();
  const bool no_number = number && !std::isfinite(*number);
  if (number && !no_number) insert_.bind(*number); else insert_.bind_null();
  Outcome<void> bound;
  if (const auto word = r.word()) bound = names.bind(insert_, *word, is_detail(r.quantity)); else insert_.bind_null();
  if (!bound) return bound;
  insert_.bind(std::isfinite(r.uncertainty) ? r.uncertainty : 0.0);
  insert_.bind(std::int64_t{std::chrono::floor<std::chrono::milliseconds>(r.when.time_since_epoch()).count()}).bind(std::int64_t{r.over.count()});
  if (bound = names.bind(insert_, r.method); !bound) return bound;
  if (no_number) bound = names.bind(insert_, "what was measured is no finite number");
  else if (r.is_read()) insert_.bind_null();
  else bound = names.bind(insert_, r.unread);
  if (!bound) return bound;
  auto done = insert_.run();
  insert_.reset();
  return done;
}

}  // namespace tallywire::record
