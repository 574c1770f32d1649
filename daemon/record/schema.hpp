// The record's tables, version by version. A step is never changed once it has landed: a new version
// gets a new step, and an older file goes through all steps it lacks.
#pragma once

#include "probes/fault.hpp"

#include <array>
#include <string>

struct sqlite3;

namespace tallywire::record {

// SQL, then what SQL alone cannot do, then SQL again; all of a step in one transaction.
struct SchemaStep {
  using Convert = Outcome<void> (*)(sqlite3* database, const std::string& where);
  constexpr SchemaStep(const char* sql) : first(sql) {}
  constexpr SchemaStep(const char* before, Convert by, const char* after) : first(before), convert(by), last(after) {}
  const char* first;
  Convert convert = nullptr;
  const char* last = "";
};

// Readings and documents of the first version's tables into those of the compact ones (compacting.cpp).
Outcome<void> compact_readings(sqlite3* database, const std::string& where);

// Step n takes a file from PRAGMA user_version n to n + 1.
inline constexpr std::array<SchemaStep, 4> schema_steps = {SchemaStep{R"sql(
CREATE TABLE rounds (
  id            INTEGER PRIMARY KEY AUTOINCREMENT,
  kind          TEXT NOT NULL,
  state         TEXT NOT NULL CHECK (state IN ('running', 'complete', 'cancelled', 'broken_off')),
  site          TEXT NOT NULL,
  design_sha256 TEXT NOT NULL,
  plan          TEXT NOT NULL,
  planned_s     REAL NOT NULL,
  started       TEXT NOT NULL,
  ended         TEXT,
  accepted_by   TEXT,
  accepted_at   TEXT,
  counts        TEXT,
  exit_code     INTEGER,
  document      TEXT
);
CREATE TABLE readings (
  id          INTEGER PRIMARY KEY,
  round       INTEGER NOT NULL REFERENCES rounds(id) ON DELETE CASCADE,
  subject     TEXT NOT NULL,
  quantity    TEXT NOT NULL,
  number      REAL,
  word        TEXT,
  uncertainty REAL NOT NULL,
  at          TEXT NOT NULL,
  over_s      REAL NOT NULL,
  method      TEXT NOT NULL,
  unread      TEXT,
  CHECK ((unread IS NULL) = (number IS NOT NULL OR word IS NOT NULL))
);
CREATE INDEX readings_by_round ON readings(round);
CREATE INDEX readings_by_subject ON readings(subject, quantity, at);
CREATE TABLE events (
  id   INTEGER PRIMARY KEY AUTOINCREMENT,
  at   TEXT NOT NULL,
  name TEXT NOT NULL,
  data TEXT NOT NULL
);
CREATE TABLE witnesses (
  id      INTEGER PRIMARY KEY AUTOINCREMENT,
  subject TEXT NOT NULL,
  point   TEXT NOT NULL,
  by      TEXT NOT NULL,
  note    TEXT NOT NULL,
  at      TEXT NOT NULL
);
CREATE TABLE roll (one INTEGER PRIMARY KEY CHECK (one = 1), entries TEXT NOT NULL);
)sql"},
// docs/record.md says what is where. Texts that come back again and again stand once, in `names`; a column that holds one is
// an integer, and a text where it is too long or never the same twice. A round's readings lie together, and in it those of a
// quantity: a night is written at the end of the table, and one quantity of all subjects is read in one go.
SchemaStep{R"sql(
CREATE TABLE names (id INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE);
ALTER TABLE readings RENAME TO readings_1;
DROP INDEX readings_by_round;
DROP INDEX readings_by_subject;
CREATE TABLE readings (
  round       INTEGER NOT NULL REFERENCES rounds(id),
  quantity    INTEGER NOT NULL,
  subject     INTEGER NOT NULL,
  n           INTEGER NOT NULL,
  number      REAL,
  word,
  uncertainty REAL NOT NULL,
  at_ms       INTEGER NOT NULL,
  over_ns     INTEGER NOT NULL,
  method      NOT NULL,
  unread,
  CHECK ((unread IS NULL) = (number IS NOT NULL OR word IS NOT NULL)),
  PRIMARY KEY (round, quantity, subject, n)
) WITHOUT ROWID;
CREATE TABLE round_parts (
  id    INTEGER PRIMARY KEY,
  round INTEGER NOT NULL REFERENCES rounds(id),
  part  TEXT NOT NULL,
  bytes INTEGER NOT NULL,
  text  BLOB NOT NULL,
  UNIQUE (round, part)
);
CREATE TABLE unit_rounds (
  subject  INTEGER NOT NULL,
  round    INTEGER NOT NULL REFERENCES rounds(id),
  presence INTEGER NOT NULL,
  met      INTEGER NOT NULL,
  tight    INTEGER NOT NULL,
  missed   INTEGER NOT NULL,
  unread   INTEGER NOT NULL,
  PRIMARY KEY (subject, round)
) WITHOUT ROWID;
ALTER TABLE rounds ADD COLUMN thinned INTEGER NOT NULL DEFAULT 0;
)sql",
           compact_readings, R"sql(
DROP TABLE readings_1;
ALTER TABLE rounds DROP COLUMN document;
)sql"},
SchemaStep{R"sql(
ALTER TABLE witnesses ADD COLUMN undone INTEGER NOT NULL DEFAULT 0;
)sql"},
SchemaStep{R"sql(
CREATE TABLE kept (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE outbox (
  id       INTEGER PRIMARY KEY AUTOINCREMENT,
  way      TEXT NOT NULL,
  key      TEXT NOT NULL,
  made     TEXT NOT NULL,
  message  TEXT NOT NULL,
  state    TEXT NOT NULL CHECK (state IN ('waiting', 'told', 'given_up')),
  tries    INTEGER NOT NULL,
  next_try TEXT NOT NULL,
  fault    TEXT NOT NULL,
  done     TEXT,
  UNIQUE (way, key)
);
CREATE INDEX outbox_by_state ON outbox(way, state, id);
)sql"}};

}  // namespace tallywire::record
