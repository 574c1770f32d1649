// Readings: kept, and looked up by round, by subject and by night.
#include "daemon/record/reading_rows.hpp"
#include "daemon/record/record.hpp"

#include <algorithm>

namespace tallywire::record {

namespace {

// A rolled back transaction takes the numbers with it that it gave to names.
struct Undo {
  Names& names;
  bool kept = false;
  ~Undo() {
    if (!kept) names.forget();
  }
};

Outcome<void> collect(Connection& connection, Statement& rows, std::vector<Reading>& out) {
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) break;
    if (auto read = read_row(connection, rows, out.emplace_back()); !read) return read.error();
  }
  rows.reset();
  return {};
}

Outcome<std::vector<std::int64_t>> integers(Statement& rows) {
  std::vector<std::int64_t> out;
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) return out;
    out.push_back(rows.integer(0));
  }
}

std::string select(const char* rest) { return std::string("SELECT ") + reading_columns + rest; }

}  // namespace

Outcome<void> Record::add_readings(std::int64_t round, const std::vector<Reading>& readings) {
  const std::lock_guard hold(writer_.lock);
  Undo undo{writer_.names};
  Transaction all(writer_.database, writer_.where);
  if (auto begun = all.begin(); !begun) return begun.error();
  ReadingWriter writer(writer_);
  for (const auto& reading : readings)
    if (auto added = writer.add(round, reading); !added) return added.error();
  auto done = all.commit();
  undo.kept = done.has_value();
  return done;
}

Outcome<std::vector<Reading>> Record::readings_of(std::int64_t round) {
  auto& from = reader();
  const std::lock_guard hold(from.lock);
  Statement rows(from.database, from.where, select(" FROM readings r WHERE r.round = ? ORDER BY r.quantity, r.subject, r.n").c_str());
  rows.bind(round);
  std::vector<Reading> out;
  // A night of 500 units is 57,000: growing would copy them all several times.
  Statement count(from.database, from.where, "SELECT count(*) FROM readings WHERE round = ?");
  if (auto counted = count.bind(round).step(); !counted) return counted.error();
  out.reserve(static_cast<std::size_t>(count.integer(0)));
  if (auto done = collect(from, rows, out); !done) return done.error();
  return out;
}

Outcome<std::vector<Reading>> Record::readings_below(std::int64_t round, const std::string& subject) {
  auto& from = reader();
  const std::lock_guard hold(from.lock);
  // '0' follows '/': all texts that begin with "subject/".
  Statement named(from.database, from.where, "SELECT id FROM names WHERE text = ?1 OR (text >= ?1 || '/' AND text < ?1 || '0') ORDER BY id");
  auto subjects = integers(named.bind(subject));
  if (!subjects) return subjects.error();
  Statement next(from.database, from.where, "SELECT min(quantity) FROM readings WHERE round = ? AND quantity > ?");
  Statement rows(from.database, from.where,
                 select(" FROM readings r WHERE r.round = ? AND r.quantity = ? AND r.subject = ? ORDER BY r.n").c_str());
  std::vector<Reading> out;
  for (std::int64_t quantity = 0;;) {
    auto row = next.bind(round).bind(quantity).step();
    if (!row) return row.error();
    if (next.is_null(0)) return out;
    quantity = next.integer(0);
    next.reset();
    for (const auto one : *subjects) {
      rows.bind(round).bind(quantity).bind(one);
      if (auto done = collect(from, rows, out); !done) return done.error();
    }
  }
}

}  // namespace tallywire::record
