// Text in columns, for a terminal.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include <string>
#include <vector>

namespace tallywire::client {

// Columns padded to their widest cell; counts code points, so that a dash or an umlaut is one wide.
class Table {
 public:
  void row(std::vector<std::string> cells) { rows_.push_back(std::move(cells)); }
  std::string text() const;

 private:
  std::vector<std::vector<std::string>> rows_;
};

// A value of an object as a cell: empty when it is not there or null.
std::string text_of(const nlohmann::json& object, const char* key);

}  // namespace tallywire::client
