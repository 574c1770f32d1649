// One connection to the record's file with the lock that its users hold. One writes; another reads beside it, since in the
// write-ahead log neither waits for the other.
#pragma once

#include "daemon/record/names.hpp"

#include <mutex>
#include <string>

namespace tallywire::record {

struct Connection {
  explicit Connection(std::string file) : where(std::move(file)), names(database, where) {}
  ~Connection() { sqlite3_close_v2(database); }
  Connection(const Connection&) = delete;
  Connection& operator=(const Connection&) = delete;

  // SQLITE_OPEN_READONLY, or SQLITE_OPEN_READWRITE with or without SQLITE_OPEN_CREATE.
  Outcome<void> open(int flags);

  std::string where;
  std::mutex lock;
  sqlite3* database = nullptr;
  Names names;
};

}  // namespace tallywire::record
