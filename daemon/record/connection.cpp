#include "daemon/record/connection.hpp"

namespace tallywire::record {

// NOMUTEX: its own lock would be taken for every column of every row, and the connection's lock is held already.
Outcome<void> Connection::open(int flags) {
  if (sqlite3_open_v2(where.c_str(), &database, flags | SQLITE_OPEN_NOMUTEX, nullptr) != SQLITE_OK) return fault_of(database, where);
  sqlite3_busy_timeout(database, 2000);
  return {};
}

}  // namespace tallywire::record
