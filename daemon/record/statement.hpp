// A prepared SQLite statement as a value: bind, step, read columns; every failure becomes a Fault.
#pragma once

#include "probes/fault.hpp"

#include <sqlite3.h>

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace tallywire::record {

// What SQLite's last error means for a person; `where` is the file.
Fault fault_of(sqlite3* database, const std::string& where);

class Statement {
 public:
  Statement(sqlite3* database, const std::string& where, const char* sql);
  ~Statement();
  Statement(const Statement&) = delete;
  Statement& operator=(const Statement&) = delete;

  Statement& bind(std::int64_t value);
  Statement& bind(double value);
  Statement& bind(const std::string& value);
  Statement& bind(const std::optional<std::string>& value);
  Statement& bind(const std::optional<std::int64_t>& value);
  Statement& bind_octets(std::string_view octets);
  Statement& bind_null();

  // True: a row is there. False: done.
  Outcome<bool> step();
  // Runs to the end; rows are passed over.
  Outcome<void> run();
  // Ready to bind again.
  void reset();

  std::int64_t integer(int column) const;
  double real(int column) const;
  std::string text(int column) const;
  bool is_null(int column) const;
  bool is_integer(int column) const;

 private:
  sqlite3* database_;
  const std::string& where_;
  sqlite3_stmt* statement_ = nullptr;
  int next_ = 1;
  int failed_ = SQLITE_OK;
};

// BEGIN IMMEDIATE now, COMMIT when told; ROLLBACK when it is left without.
class Transaction {
 public:
  Transaction(sqlite3* database, const std::string& where);
  ~Transaction();
  Transaction(const Transaction&) = delete;
  Transaction& operator=(const Transaction&) = delete;
  Outcome<void> begin();
  Outcome<void> commit();

 private:
  sqlite3* database_;
  const std::string& where_;
  bool open_ = false;
};

}  // namespace tallywire::record
