#include "daemon/record/record.hpp"

#include "daemon/record/schema.hpp"
#include "daemon/record/statement.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <filesystem>

namespace tallywire::record {
namespace {

// Durable before a call returns: FULL syncs the log at each commit. Readings come in batches, so this
// costs a few syncs a second at most.
Outcome<void> configure(Connection& connection) {
  const char* pragmas =
      "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON; "
      "PRAGMA wal_autocheckpoint=1000; PRAGMA journal_size_limit=4194304; PRAGMA cache_size=-2048;";
  if (sqlite3_exec(connection.database, pragmas, nullptr, nullptr, nullptr) != SQLITE_OK)
    return fault_of(connection.database, connection.where);
  return {};
}

// What is beside a night of 500 units: the inner pages of the tables, and a night's readings.
constexpr const char* reader_pragmas = "PRAGMA query_only=ON; PRAGMA cache_size=-8192;";

}  // namespace

Outcome<std::unique_ptr<Record>> Record::open(const std::string& directory) {
  const bool in_memory = directory == ":memory:";
  const bool is_file = std::filesystem::is_regular_file(directory);
  std::string where = directory;
  if (!in_memory && !is_file) {
    std::error_code code;
    std::filesystem::create_directories(directory, code);
    if (code)
      return Fault{FaultKind::system, "the record's directory cannot be made: " + code.message(), directory,
                   "name another directory in the settings, or give the right to write there"};
    where = directory + "/record.sqlite";
  }
  std::unique_ptr<Record> record(new Record(where));
  if (!in_memory)
    if (auto held = record->hold(is_file ? directory + ".lock" : directory + "/lock"); !held) return held.error();
  auto& writer = record->writer_;
  if (auto opened = writer.open(SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE); !opened) return opened.error();
  if (!in_memory) ::chmod(where.c_str(), 0640);
  if (auto done = configure(writer); !done) return done.error();
  if (auto done = record->migrate(); !done) return done.error();
  if (auto done = record->break_off_running(); !done) return done.error();
  if (in_memory) return record;
  record->reader_ = std::make_unique<Connection>(where);
  if (auto opened = record->reader_->open(SQLITE_OPEN_READONLY); !opened) return opened.error();
  sqlite3_exec(record->reader_->database, reader_pragmas, nullptr, nullptr, nullptr);
  return record;
}

Record::~Record() {
  copying_.stop();
  reader_.reset();
  sqlite3_close_v2(std::exchange(writer_.database, nullptr));
  if (held_ >= 0) ::close(held_);
}

Outcome<void> Record::hold(const std::string& path) {
  held_ = ::open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0640);
  if (held_ < 0)
    return Fault{FaultKind::system, std::string("the record cannot be written: ") + std::strerror(errno), path,
                 "give the service's user the right to write there"};
  if (::flock(held_, LOCK_EX | LOCK_NB) != 0)
    return Fault{FaultKind::system, "another tallywired keeps this record", writer_.where,
                 "end it first, or name another record directory"};
  return {};
}

Outcome<void> Record::migrate() {
  auto* database = writer_.database;
  Statement version(database, writer_.where, "PRAGMA user_version");
  if (auto row = version.step(); !row) return row.error();
  auto have = static_cast<std::size_t>(version.integer(0));
  version.reset();
  if (have > schema_steps.size())
    return Fault{FaultKind::system, "the record was written by a newer Tallywire", writer_.where,
                 "run that version, or name another record directory"};
  for (; have < schema_steps.size(); ++have) {
    const auto& step = schema_steps[have];
    const std::string last = std::string(step.last) + "PRAGMA user_version=" + std::to_string(have + 1) + ";";
    Transaction change(database, writer_.where);
    if (auto begun = change.begin(); !begun) return begun.error();
    if (sqlite3_exec(database, step.first, nullptr, nullptr, nullptr) != SQLITE_OK) return fault_of(database, writer_.where);
    if (step.convert)
      if (auto converted = step.convert(database, writer_.where); !converted) return converted.error();
    if (sqlite3_exec(database, last.c_str(), nullptr, nullptr, nullptr) != SQLITE_OK) return fault_of(database, writer_.where);
    if (auto done = change.commit(); !done) return done.error();
  }
  return {};
}

Outcome<void> Record::break_off_running() {
  Statement marked(writer_.database, writer_.where, "UPDATE rounds SET state = 'broken_off', ended = ? WHERE state = 'running' RETURNING id");
  marked.bind(to_rfc3339(now_utc()));
  for (;;) {
    auto row = marked.step();
    if (!row) return row.error();
    if (!*row) return {};
    broken_off_at_open_.push_back(marked.integer(0));
  }
}

Outcome<RecordSize> Record::size() {
  auto& from = reader();
  const std::lock_guard hold(from.lock);
  Statement row(from.database, from.where,
                "SELECT (SELECT page_count FROM pragma_page_count) * (SELECT page_size FROM pragma_page_size), "
                "(SELECT freelist_count FROM pragma_freelist_count) * (SELECT page_size FROM pragma_page_size), "
                "(SELECT user_version FROM pragma_user_version), count(*), "
                "coalesce(sum(state = 'complete' AND kind <> 'prove'), 0), coalesce(sum(thinned > 0), 0) FROM rounds");
  if (auto there = row.step(); !there) return there.error();
  RecordSize out{row.integer(0), 0, row.integer(1), row.integer(2), row.integer(3), row.integer(4), row.integer(5)};
  std::error_code none;
  const auto log = std::filesystem::file_size(from.where + "-wal", none);
  if (!none) out.log_bytes = static_cast<std::int64_t>(log);
  return out;
}

}  // namespace tallywire::record
