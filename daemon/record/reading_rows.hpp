// A reading as a row of the record, and back. Whoever calls holds the lock of the connection.
#pragma once

#include "daemon/record/connection.hpp"
#include "probes/reading.hpp"

#include <string>

namespace tallywire::record {

// Of a row that begins with these columns.
inline constexpr const char* reading_columns = "r.quantity, r.subject, r.number, r.word, r.uncertainty, r.at_ms, r.over_ns, r.method, r.unread";
Outcome<void> read_row(Connection& connection, const Statement& row, Reading& out);

// Puts readings into a transaction that is open; several of one subject and quantity in a round are kept all, in order.
class ReadingWriter {
 public:
  explicit ReadingWriter(Connection& connection);
  Outcome<void> add(std::int64_t round, const Reading& reading);

 private:
  Connection& connection_;
  Statement insert_;
};

// Distributions: many words that are never the same twice, and that age (docs/record.md).
bool is_detail(const std::string& quantity);
inline constexpr const char* detail_quantities[] = {"wire_windows_100ms"};

}  // namespace tallywire::record
