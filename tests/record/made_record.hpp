// A record in a folder of its own, and readings to put into it.
#pragma once

#include "daemon/record/record.hpp"

#include <catch2/catch.hpp>
#include <sqlite3.h>

#include <filesystem>
#include <memory>
#include <string>

#include <unistd.h>

namespace made {

using namespace tallywire;
using namespace tallywire::record;

struct Folder {
  std::string path;
  explicit Folder(const std::string& name) : path((std::filesystem::temp_directory_path() / ("tallywire-" + name + "-" + std::to_string(::getpid()))).string()) {
    std::filesystem::remove_all(path);
    std::filesystem::create_directories(path);
  }
  ~Folder() { std::filesystem::remove_all(path); }
  std::string file(const std::string& name) const { return path + "/" + name; }
};

inline std::unique_ptr<Record> opened(const std::string& path) {
  auto out = Record::open(path);
  if (!out) FAIL(out.error().sentence());
  return std::move(*out);
}

inline RoundHead head(const std::string& kind, SystemTime started) {
  RoundHead out;
  out.kind = kind;
  out.site = "a site";
  out.design_sha256 = "00";
  out.started = started;
  return out;
}

// One value of the first row that raw SQL answers, as another program would ask it.
inline std::string asked(const std::string& file, const std::string& sql) {
  sqlite3* database = nullptr;
  std::string out;
  if (sqlite3_open_v2(file.c_str(), &database, SQLITE_OPEN_READWRITE, nullptr) != SQLITE_OK) out = "cannot be opened";
  const auto take = [](void* to, int, char** values, char**) {
    auto& text = *static_cast<std::string*>(to);
    if (text.empty() && values[0]) text = values[0];
    return 0;
  };
  char* said = nullptr;
  if (out.empty() && sqlite3_exec(database, sql.c_str(), take, &out, &said) != SQLITE_OK) out = std::string("failed: ") + said;
  sqlite3_free(said);
  sqlite3_close(database);
  return out;
}

inline std::string integrity(const std::string& file) { return asked(file, "PRAGMA integrity_check"); }

}  // namespace made
