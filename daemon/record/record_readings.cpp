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

namespace {

// Goes through the nights from the newest back, until each subject has all it may have.
class NightsWalk {
 public:
  NightsWalk(Connection& from, std::int64_t quantity, std::size_t most)
      : from_(from), quantity_(quantity), most_(most),
        whole_(from.database, from.where,
               select(" FROM readings r WHERE r.round = ? AND r.quantity = ? AND r.number IS NOT NULL ORDER BY r.subject, r.n").c_str()),
        one_(from.database, from.where,
             select(" FROM readings r WHERE r.round = ? AND r.quantity = ? AND r.subject = ? AND r.number IS NOT NULL ORDER BY r.n DESC").c_str()) {}

  std::unordered_map<std::int64_t, std::vector<Record::NightReading>> found;  // by subject; those that want some are keys

  // False: all have all.
  Outcome<bool> look_at(std::int64_t round) {
    std::vector<std::int64_t> wanting;
    for (const auto& [subject, readings] : found)
      if (readings.size() < most_) wanting.push_back(subject);
    if (wanting.empty()) return false;
    // A night's readings of a quantity lie together: one pass, unless few are looked for.
    constexpr std::size_t few = 64;
    Outcome<void> done;
    if (wanting.size() > few) {
      whole_.bind(round).bind(quantity_);
      done = take(whole_, round);
    }
    for (std::size_t i = 0; wanting.size() <= few && i < wanting.size() && done; ++i) {
      one_.bind(round).bind(quantity_).bind(wanting[i]);
      done = take(one_, round);
    }
    if (!done) return done.error();
    return true;
  }

 private:
  Outcome<void> take(Statement& rows, std::int64_t round) {
    for (;;) {
      auto row = rows.step();
      if (!row) return row.error();
      if (!*row) break;
      const auto at = found.find(rows.integer(1));
      if (at == found.end() || at->second.size() >= most_) continue;
      auto& reading = at->second.emplace_back(Record::NightReading{round, {}}).reading;
      if (auto read = read_row(from_, rows, reading); !read) return read.error();
    }
    rows.reset();
    return {};
  }

  Connection& from_;
  std::int64_t quantity_;
  std::size_t most_;
  Statement whole_, one_;
};

}  // namespace

Outcome<std::vector<Record::NightReading>> Record::readings_of_nights(const std::vector<std::string>& subjects, const std::string& quantity,
                                                                      int most) {
  auto& from = reader();
  const std::lock_guard hold(from.lock);
  std::vector<NightReading> out;
  auto number = from.names.find(quantity);
  if (!number) return number.error();
  if (!*number || most <= 0) return out;
  NightsWalk walk(from, **number, static_cast<std::size_t>(most));
  std::vector<std::int64_t> order;
  for (const auto& subject : subjects) {
    auto known = from.names.find(subject);
    if (!known) return known.error();
    if (*known && walk.found.try_emplace(**known).second) order.push_back(**known);
  }
  Statement nights(from.database, from.where, "SELECT id FROM rounds WHERE kind = 'night' AND state = 'complete' ORDER BY id DESC");
  auto rounds = integers(nights);
  if (!rounds) return rounds.error();
  for (const auto round : *rounds) {
    auto more = walk.look_at(round);
    if (!more) return more.error();
    if (!*more) break;
  }
  for (const auto subject : order) std::move(walk.found[subject].begin(), walk.found[subject].end(), std::back_inserter(out));
  return out;
}

}  // namespace tallywire::record
