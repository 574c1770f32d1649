// The rows of an export, as CSV (RFC 4180) or JSON, one after another: nothing is held.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <cstdint>
#include <cstdio>
#include <string>

namespace tallywire::client {

// A field of a CSV row, in quotes where it needs them.
std::string csv_field(const std::string& text);
// With its CR LF: round, kind, subject, quantity, value, uncertainty, when, over_s, method, unread.
std::string csv_head();
std::string csv_row(std::int64_t round, const std::string& kind, const Reading& reading);

// The file of an export, or the output stream ("-"). A file appears under its name when it is whole, and never takes the place of one
// that is there.
class ExportFile {
 public:
  explicit ExportFile(std::string path) : path_(std::move(path)) {}
  ~ExportFile();
  ExportFile(const ExportFile&) = delete;
  ExportFile& operator=(const ExportFile&) = delete;
  Outcome<void> open();
  Outcome<void> write(const std::string& text);
  Outcome<void> keep();

 private:
  Fault cannot(const char* what) const;
  std::string path_, part_;
  std::FILE* file_ = nullptr;
  bool kept_ = false;
};

// What an export tells, in order: the rounds, then the readings.
class ExportWriter {
 public:
  ExportWriter(ExportFile& file, bool as_csv) : file_(file), as_csv_(as_csv) {}
  Outcome<void> begin();
  Outcome<void> add_round(const nlohmann::json& summary);  // JSON only: a CSV file holds one table
  Outcome<void> add(std::int64_t round, const std::string& kind, const Reading& reading);
  Outcome<void> end();
  std::int64_t readings() const { return readings_; }

 private:
  ExportFile& file_;
  bool as_csv_;
  std::int64_t rounds_ = 0, readings_ = 0;
};

}  // namespace tallywire::client
