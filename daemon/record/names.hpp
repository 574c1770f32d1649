// Texts that stand once in the record: subjects, quantities, methods, words, reasons. A name's number never changes and is
// never used again. Whoever calls holds the lock of the connection.
#pragma once

#include "daemon/record/statement.hpp"
#include "probes/fault.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <unordered_map>
#include <vector>

namespace tallywire::record {

class Names {
 public:
  static constexpr std::size_t longest = 256;         // octets; what is longer stands where it is used
  static constexpr std::size_t most_remembered = 50'000;

  // Both must outlive the names.
  Names(sqlite3*& database, const std::string& where) : database_(database), where_(where) {}

  // The number of a text, which gets one if it has none.
  Outcome<std::int64_t> number_of(const std::string& text);
  Outcome<std::optional<std::int64_t>> find(const std::string& text);
  // Until the next call that is not this one. None: the record lacks it, or could not be read.
  const std::string* text_of(std::int64_t number);

  // A column that holds a number, or a text as it is.
  Outcome<void> bind(Statement& statement, const std::string& text, bool as_it_is = false);
  Outcome<void> read(const Statement& row, int column, std::string& out);

  // After a transaction was rolled back: numbers that it gave belong to nobody.
  void forget();

 private:
  void remember(const std::string& text, std::int64_t number);

  sqlite3*& database_;
  const std::string& where_;
  std::unordered_map<std::string, std::int64_t> numbers_;
  std::vector<std::optional<std::string>> texts_;  // by their numbers, which lie close
  Fault fault_;
};

}  // namespace tallywire::record
