#include "daemon/record/statement.hpp"

namespace tallywire::record {

Fault fault_of(sqlite3* database, const std::string& where) {
  const int code = sqlite3_errcode(database);
  Fault fault{FaultKind::system, "the record could not be used: ", where, ""};
  switch (code & 0xff) {
    case SQLITE_FULL:
      fault.what = "the disk under the record is full";
      fault.try_next = "free space there; from then on it is kept again";
      break;
    case SQLITE_IOERR:
      fault.what = "the disk under the record failed or is full";
      fault.try_next = "look at free space and at the kernel's log for that disk";
      break;
    case SQLITE_READONLY:
    case SQLITE_PERM:
    case SQLITE_CANTOPEN:
      fault.what = "the record cannot be written";
      fault.try_next = "give the service's user the right to write there";
      break;
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
      fault.what = "the record is damaged";
      fault.try_next = "move the file away and restore a copy; it was not touched";
      break;
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
      fault.what = "another program holds the record";
      fault.try_next = "end the other tallywired on this record";
      break;
    default:
      fault.what += sqlite3_errmsg(database);
      fault.try_next = "look at the disk it lies on";
  }
  return fault;
}

Statement::Statement(sqlite3* database, const std::string& where, const char* sql)
    : database_(database), where_(where) {
  failed_ = sqlite3_prepare_v2(database, sql, -1, &statement_, nullptr);
}

Statement::~Statement() { sqlite3_finalize(statement_); }

Statement& Statement::bind(std::int64_t value) {
  if (failed_ == SQLITE_OK) failed_ = sqlite3_bind_int64(statement_, next_++, value);
  return *this;
}

Statement& Statement::bind(double value) {
  if (failed_ == SQLITE_OK) failed_ = sqlite3_bind_double(statement_, next_++, value);
  return *this;
}

Statement& Statement::bind(const std::string& value) {
  if (failed_ == SQLITE_OK)
    failed_ = sqlite3_bind_text64(statement_, next_++, value.data(), value.size(), SQLITE_TRANSIENT,
                                  SQLITE_UTF8);
  return *this;
}

Statement& Statement::bind(const std::optional<std::string>& value) {
  return value ? bind(*value) : bind_null();
}

Statement& Statement::bind(const std::optional<std::int64_t>& value) {
  return value ? bind(*value) : bind_null();
}

Statement& Statement::bind_octets(std::string_view octets) {
  if (failed_ == SQLITE_OK) failed_ = sqlite3_bind_blob64(statement_, next_++, octets.data(), octets.size(), SQLITE_TRANSIENT);
  return *this;
}

Statement& Statement::bind_null() {
  if (failed_ == SQLITE_OK) failed_ = sqlite3_bind_null(statement_, next_++);
  return *this;
}

Outcome<bool> Statement::step() {
  if (failed_ != SQLITE_OK) return fault_of(database_, where_);
  const int code = sqlite3_step(statement_);
  if (code == SQLITE_ROW) return true;
  if (code == SQLITE_DONE) return false;
  return fault_of(database_, where_);
}

Outcome<void> Statement::run() {
  for (;;) {
    auto row = step();
    if (!row) return row.error();
    if (!*row) return {};
  }
}

void Statement::reset() {
  sqlite3_reset(statement_);
  next_ = 1;
}

std::int64_t Statement::integer(int column) const { return sqlite3_column_int64(statement_, column); }
double Statement::real(int column) const { return sqlite3_column_double(statement_, column); }

std::string Statement::text(int column) const {
  const auto* octets = static_cast<const char*>(sqlite3_column_blob(statement_, column));
  const auto size = static_cast<std::size_t>(sqlite3_column_bytes(statement_, column));
  return octets ? std::string(octets, size) : std::string();
}

bool Statement::is_null(int column) const {
  return sqlite3_column_type(statement_, column) == SQLITE_NULL;
}

bool Statement::is_integer(int column) const {
  return sqlite3_column_type(statement_, column) == SQLITE_INTEGER;
}

Transaction::Transaction(sqlite3* database, const std::string& where)
    : database_(database), where_(where) {}

Transaction::~Transaction() {
  if (open_) sqlite3_exec(database_, "ROLLBACK", nullptr, nullptr, nullptr);
}

Outcome<void> Transaction::begin() {
  if (sqlite3_exec(database_, "BEGIN IMMEDIATE", nullptr, nullptr, nullptr) != SQLITE_OK)
    return fault_of(database_, where_);
  open_ = true;
  return {};
}

Outcome<void> Transaction::commit() {
  if (sqlite3_exec(database_, "COMMIT", nullptr, nullptr, nullptr) != SQLITE_OK)
    return fault_of(database_, where_);
  open_ = false;
  return {};
}

}  // namespace tallywire::record
