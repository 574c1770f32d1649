#include "daemon/client/table.hpp"

#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>

namespace tallywire::client {
namespace {

std::size_t width(const std::string& text) {
  return static_cast<std::size_t>(std::count_if(text.begin(), text.end(), [](char c) { return (c & 0xc0) != 0x80; }));
}

}  // namespace

std::string Table::text() const {
  std::vector<std::size_t> widths;
  for (const auto& row : rows_)
    for (std::size_t i = 0; i < row.size(); ++i) {
      if (widths.size() <= i) widths.push_back(0);
      widths[i] = std::max(widths[i], width(row[i]));
    }
  std::string out;
  for (const auto& row : rows_) {
    std::string line;
    for (std::size_t i = 0; i < row.size(); ++i) {
      line += "  " + row[i];
      if (i + 1 < row.size()) line.append(widths[i] - width(row[i]), ' ');
    }
    line.erase(line.find_last_not_of(' ') + 1);
    out += line + "\n";
  }
  return out;
}

std::string text_of(const nlohmann::json& object, const char* key) {
  const auto at = object.find(key);
  if (at == object.end() || at->is_null()) return "";
  return at->is_string() ? at->get<std::string>() : json_line(*at);
}

}  // namespace tallywire::client
