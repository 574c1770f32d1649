// What was read and judged over many rounds, and an export's pages.
#include "daemon/record/reading_rows.hpp"
#include "daemon/record/record.hpp"

#include <algorithm>
#include <unordered_map>

namespace tallywire::record {

namespace {

std::string select(const char* rest) { return std::string("SELECT ") + reading_columns + rest; }

}  // namespace

Outcome<NightNumbers> Record::numbers_of_nights(const std::string& quantity, int nights) {
  auto& from = reader();
  const std::lock_guard hold(from.lock);
  NightNumbers out;
  auto number = from.names.find(quantity);
  if (!number) return number.error();
  if (!*number) return out;
  Statement rows(from.database, from.where,
                 "SELECT r.round, r.subject, r.number, r.uncertainty, r.at_ms FROM "
                 "(SELECT id FROM rounds WHERE kind = 'night' AND state = 'complete' ORDER BY id DESC LIMIT ?2) n "
                 "CROSS JOIN readings r ON r.round = n.id AND r.quantity = ?1 AND r.number IS NOT NULL");
  rows.bind(**number).bind(static_cast<std::int64_t>(nights));
  std::unordered_map<std::int64_t, std::size_t> places;
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) return out;
    const auto [at, is_new] = places.try_emplace(rows.integer(1), out.subjects.size());
    if (is_new)
      if (auto read = from.names.read(rows, 1, out.subjects.emplace_back()); !read) return read.error();
    out.numbers.push_back({rows.integer(0), at->second, rows.real(2), rows.real(3), SystemTime(std::chrono::milliseconds(rows.integer(4)))});
  }
}

Outcome<std::vector<RoundReading>> Record::history(const std::string& subject, const std::string& quantity, int most) {
  auto& from = reader();
  const std::lock_guard hold(from.lock);
  std::vector<RoundReading> out;
  auto subject_number = from.names.find(subject), quantity_number = from.names.find(quantity);
  if (!subject_number) return subject_number.error();
  if (!quantity_number) return quantity_number.error();
  if (!*subject_number || !*quantity_number) return out;
  // CROSS JOIN: the few rounds first, from the newest back, and of each the one reading.
  Statement rows(from.database, from.where,
                 select(", n.id, n.kind FROM rounds n CROSS JOIN readings r ON r.round = n.id AND r.quantity = ?1 AND r.subject = ?2 "
                        "AND r.n = (SELECT max(n) FROM readings WHERE round = n.id AND quantity = ?1 AND subject = ?2) "
                        "WHERE n.state = 'complete' ORDER BY n.id DESC LIMIT ?3")
                     .c_str());
  rows.bind(**quantity_number).bind(**subject_number).bind(static_cast<std::int64_t>(most));
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) break;
    auto& reading = out.emplace_back(RoundReading{rows.integer(9), rows.text(10), {}}).reading;
    if (auto read = read_row(from, rows, reading); !read) return read.error();
  }
  std::reverse(out.begin(), out.end());
  return out;
}

Outcome<std::vector<UnitNight>> Record::unit_nights(const std::string& camera, int most) {
  auto& from = reader();
  const std::lock_guard hold(from.lock);
  std::vector<UnitNight> out;
  auto subject = from.names.find("camera/" + camera);
  if (!subject) return subject.error();
  if (!*subject) return out;
  Statement rows(from.database, from.where,
                 "SELECT u.round, n.kind, coalesce(n.ended, n.started), u.presence, u.met, u.tight, u.missed, u.unread FROM unit_rounds u "
                 "JOIN rounds n ON n.id = u.round WHERE u.subject = ? AND n.state = 'complete' ORDER BY u.round DESC LIMIT ?");
  rows.bind(**subject).bind(static_cast<std::int64_t>(most));
  const auto count = [&rows](int column) { return static_cast<int>(rows.integer(column)); };
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) break;
    auto& night = out.emplace_back(UnitNight{rows.integer(0), rows.text(1), from_rfc3339(rows.text(2)), "", count(4), count(5), count(6), count(7)});
    if (auto read = from.names.read(rows, 3, night.presence); !read) return read.error();
  }
  std::reverse(out.begin(), out.end());
  return out;
}

Outcome<ExportPage> Record::export_page(std::int64_t first, std::int64_t last, ExportPlace after, int limit) {
  auto& from = reader();
  const std::lock_guard hold(from.lock);
  if (after.round < first) after = {first, 0, 0, -1};
  Statement rows(from.database, from.where,
                 select(", r.round, r.n, n.kind FROM readings r JOIN rounds n ON n.id = r.round WHERE (r.round, r.quantity, r.subject, r.n) > (?, ?, ?, ?) "
                        "AND r.round <= ? ORDER BY r.round, r.quantity, r.subject, r.n LIMIT ?")
                     .c_str());
  rows.bind(after.round).bind(after.quantity).bind(after.subject).bind(after.n).bind(last).bind(static_cast<std::int64_t>(limit));
  ExportPage out;
  for (;;) {
    auto row = rows.step();
    if (!row) return row.error();
    if (!*row) break;
    auto& reading = out.readings.emplace_back(RoundReading{rows.integer(9), rows.text(11), {}}).reading;
    if (auto read = read_row(from, rows, reading); !read) return read.error();
    after = {rows.integer(9), rows.integer(0), rows.integer(1), rows.integer(10)};
  }
  if (static_cast<int>(out.readings.size()) == limit) out.next = after;
  return out;
}

}  // namespace tallywire::record
