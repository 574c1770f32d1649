#include "daemon/record/names.hpp"

namespace tallywire::record {

Outcome<std::optional<std::int64_t>> Names::find(const std::string& text) {
  if (const auto known = numbers_.find(text); known != numbers_.end()) return std::optional(known->second);
  Statement row(database_, where_, "SELECT id FROM names WHERE text = ?");
  auto there = row.bind(text).step();
  if (!there) return there.error();
  if (!*there) return std::optional<std::int64_t>();
  remember(text, row.integer(0));
  return std::optional(row.integer(0));
}

Outcome<std::int64_t> Names::number_of(const std::string& text) {
  auto known = find(text);
  if (!known) return known.error();
  if (*known) return **known;
  auto made = Statement(database_, where_, "INSERT INTO names (text) VALUES (?)").bind(text).run();
  if (!made) return made.error();
  const std::int64_t number = sqlite3_last_insert_rowid(database_);
  remember(text, number);
  return number;
}

const std::string* Names::text_of(std::int64_t number) {
  const auto place = static_cast<std::size_t>(number);
  if (place < texts_.size() && texts_[place]) return &*texts_[place];
  Statement row(database_, where_, "SELECT text FROM names WHERE id = ?");
  auto there = row.bind(number).step();
  if (!there) fault_ = there.error();
  else fault_ = {FaultKind::system, "the record is damaged: it lacks a name", where_, "restore a copy"};
  if (!there || !*there) return nullptr;
  remember(row.text(0), number);
  return &*texts_[place];
}

Outcome<void> Names::bind(Statement& statement, const std::string& text, bool as_it_is) {
  if (as_it_is || text.size() > longest) {
    statement.bind(text);
    return {};
  }
  auto number = number_of(text);
  if (!number) return number.error();
  statement.bind(*number);
  return {};
}

Outcome<void> Names::read(const Statement& row, int column, std::string& out) {
  if (!row.is_integer(column)) {
    out = row.text(column);
    return {};
  }
  const auto* text = text_of(row.integer(column));
  if (!text) return fault_;
  out = *text;
  return {};
}

void Names::remember(const std::string& text, std::int64_t number) {
  if (numbers_.size() >= most_remembered) forget();
  numbers_.emplace(text, number);
  const auto place = static_cast<std::size_t>(number);
  if (texts_.size() <= place) texts_.resize(place + 1);
  texts_[place] = text;
}

void Names::forget() {
  numbers_.clear();
  texts_.clear();
}

}  // namespace tallywire::record
