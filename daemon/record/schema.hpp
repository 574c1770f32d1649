// The record's tables, version by version. A step is never changed once it has landed: a new version
// gets a new step, and an older file goes through all steps it lacks.
#pragma once

#include <array>

namespace tallywire::record {

// Step n takes a file from PRAGMA user_version n to n + 1.
inline constexpr std::array<const char*, 1> schema_steps = {R"sql(
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
)sql"};

}  // namespace tallywire::record
