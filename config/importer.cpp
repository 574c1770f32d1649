#include "config/importer.hpp"

#include "config/object_reader.hpp"

#include <algorithm>
#include <cerrno>
#include <cstdlib>
#include <map>
#include <optional>
#include <set>

namespace tallywire::config {
namespace {

using nlohmann::json;

struct Row {
  int line = 0;
  std::vector<std::string> cells;
};

std::string trim(const std::string& text) {
  const auto begin = text.find_first_not_of(" \t\r\n\xc2\xa0");
  if (begin == std::string::npos) return {};
  return text.substr(begin, text.find_last_not_of(" \t\r\n") - begin + 1);
}

// The separator that the header row holds most of.
char separator_of(std::string_view text) {
  const auto header = text.substr(0, text.find('\n'));
  char best = ',';
  for (const char candidate : {',', ';', '\t'})
    if (std::count(header.begin(), header.end(), candidate) > std::count(header.begin(), header.end(), best))
      best = candidate;
  return best;
}

std::vector<Row> read_rows(std::string_view text, char separator) {
  std::vector<Row> rows;
  Row row{1, {}};
  std::string cell;
  bool quoted = false;
  int line = 1;
  const auto end_row = [&] {
    row.cells.push_back(trim(cell));
    cell.clear();
    const bool blank = std::all_of(row.cells.begin(), row.cells.end(), [](auto& c) { return c.empty(); });
    if (!blank) rows.push_back(row);
    row = {line, {}};
  };
  for (std::size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    if (c == '\n') ++line;
    if (quoted) {
      if (c != '"')
        cell += c == '\n' || c == '\r' || c == '\t' ? ' ' : c;  // a design's texts have one line
      else if (i + 1 < text.size() && text[i + 1] == '"')
        cell += text[++i];
      else
        quoted = false;
    } else if (c == '"' && trim(cell).empty()) {
      cell.clear();
      quoted = true;
    } else if (c == separator) {
      row.cells.push_back(trim(cell));
      cell.clear();
    } else if (c == '\n') {
      end_row();
    } else {
      cell += c;
    }
  }
  if (!cell.empty() || !row.cells.empty()) end_row();
  return rows;
}

const char* const required_columns[] = {"camera",   "switch",    "port",       "address",       "link_mbps", "head",
                                        "stream",   "codec",     "width_px",   "height_px",     "frames_per_s",
                                        "kbit_per_s"};
const char* const other_columns[] = {"place", "hardware_address", "serial", "firmware", "power_class", "login", "view", "use",
                                     "rate_mode", "gop_frames", "transport", "path"};

class Importer {
 public:
  explicit Importer(std::string_view csv) {
    if (csv.substr(0, 3) == "\xef\xbb\xbf") csv.remove_prefix(3);
    rows_ = read_rows(csv, separator_of(csv));
  }

  ImportResult run() {
    if (!read_header()) return std::move(out_);
    for (std::size_t i = 1; i < rows_.size(); ++i) {
      row_ = &rows_[i];
      fault_.clear();
      take_row();
      if (!fault_.empty()) out_.refused.push_back({row_->line, fault_});
    }
    finish();
    return std::move(out_);
  }

 private:
  bool read_header() {
    if (rows_.empty()) {
      out_.refused.push_back({1, "the schedule is empty: the first row must name the columns"});
      return false;
    }
    for (std::size_t i = 0; i < rows_[0].cells.size(); ++i) columns_[rows_[0].cells[i]] = i;
    std::string missing;
    for (const char* name : required_columns)
      if (!columns_.contains(name)) missing += (missing.empty() ? "" : ", ") + std::string(name);
    if (!missing.empty()) {
      out_.refused.push_back({rows_[0].line, "the header row lacks these columns: " + missing});
      return false;
    }
    for (const auto& [name, at] : columns_) {
      const auto known = [&name = name](const char* column) { return name == column; };
      if (!name.empty() && std::none_of(std::begin(required_columns), std::end(required_columns), known) &&
          std::none_of(std::begin(other_columns), std::end(other_columns), known))
        out_.refused.push_back({rows_[0].line, "the column “" + name + "” is not known and was passed over"});
    }
    return true;
  }

  std::string cell(const char* column) const {
    const auto at = columns_.find(column);
    return at == columns_.end() || at->second >= row_->cells.size() ? std::string() : row_->cells[at->second];
  }

  // A decimal comma is taken where it cannot be a separator.
  std::optional<double> number(const char* column, bool required) {
    std::string text = cell(column);
    if (text.empty()) {
      if (required) fail(std::string(column) + " is empty");
      return std::nullopt;
    }
    std::replace(text.begin(), text.end(), ',', '.');
    char* end = nullptr;
    const double value = std::strtod(text.c_str(), &end);
    if (*end != '\0') {
      fail(std::string(column) + " is no number: “" + cell(column) + "”");
      return std::nullopt;
    }
    return value;
  }

  std::string word(const char* column) {
    auto text = cell(column);
    if (text.empty()) fail(std::string(column) + " is empty");
    return text;
  }

  std::string id_of(const char* column) {
    auto text = word(column);
    if (!text.empty() && !is_id(text)) fail(std::string(column) + " “" + text + "” has a character that ids may not have: letters, digits, - and _ only");
    return text;
  }

  void fail(const std::string& what) {
    if (fault_.empty()) fault_ = what;
  }

  void take_row() {
    if (row_->cells.size() > rows_[0].cells.size()) return fail("the row has more cells than the header");
    for (const auto& [name, at] : columns_)
      if (const auto wrong = text_fault(cell(name.c_str())); !wrong.empty()) return fail(name + " " + wrong + ": " + text_right);
    const auto id = id_of("camera"), sw = id_of("switch"), port = word("port"), address = word("address");
    const auto link = number("link_mbps", true);
    const auto stream = read_stream();
    const auto head = id_of("head");
    if (!fault_.empty()) return;
    auto known = cameras_.find(id);
    if (known == cameras_.end()) {
      json camera = {{"id", id}, {"switch", sw}, {"port", port}, {"address", address},
                     {"link_speed_mbps", *link}, {"heads", json::array()}};
      if (const auto power = number("power_class", false)) camera["power_class"] = static_cast<int>(*power);
      for (const auto& [column, key] : {std::pair{"place", "place"}, {"hardware_address", "hardware_address"},
                                        {"serial", "serial"}, {"firmware", "firmware"}, {"login", "login_secret"}})
        if (!cell(column).empty()) camera[key] = cell(column);
      if (!fault_.empty()) return;
      order_.push_back(id);
      known = cameras_.emplace(id, std::move(camera)).first;
      ports_[sw].insert(port);
    } else if (known->second["switch"] != sw || known->second["port"] != port || known->second["address"] != address) {
      return fail("camera " + id + " stands on another switch, port or address in an earlier row");
    }
    add_stream(known->second, head, stream);
  }

  json read_stream() {
    json out = {{"id", id_of("stream")}, {"codec", word("codec")}};
    const auto put = [&](const char* column, const char* key, bool whole) {
      if (const auto value = number(column, true)) out[key] = whole ? json(static_cast<int>(*value)) : json(*value);
    };
    put("width_px", "width_px", true);
    put("height_px", "height_px", true);
    put("frames_per_s", "frame_rate_hz", false);
    put("kbit_per_s", "bit_rate_kbps", false);
    if (const auto gop = number("gop_frames", false)) out["gop_frames"] = static_cast<int>(*gop);
    for (const char* key : {"use", "rate_mode", "transport", "path"})
      if (!cell(key).empty()) out[key] = cell(key);
    return out;
  }

  void add_stream(json& camera, const std::string& id, const json& stream) {
    for (auto& head : camera["heads"]) {
      if (head["id"] != id) continue;
      for (const auto& other : head["streams"])
        if (other["id"] == stream["id"]) return fail("the stream stands in an earlier row already");
      head["streams"].push_back(stream);
      return;
    }
    json head = {{"id", id}, {"streams", json::array({stream})}};
    if (!cell("view").empty()) head["view"] = cell("view");
    camera["heads"].push_back(std::move(head));
  }

  void finish() {
    if (order_.empty()) return;
    out_.design = {{"format", 1}, {"site", {{"name", "name the site"}}}, {"switches", json::array()},
                   {"cameras", json::array()}};
    for (const auto& [sw, ports] : ports_)
      out_.design["switches"].push_back({{"id", sw}, {"address", "give the address"}, {"ports", ports},
                                         {"uplinks", json::array()}});
    for (const auto& id : order_) out_.design["cameras"].push_back(cameras_[id]);
  }

  std::vector<Row> rows_;
  std::map<std::string, std::size_t> columns_;
  const Row* row_ = nullptr;
  std::string fault_;
  std::vector<std::string> order_;
  std::map<std::string, json> cameras_;
  std::map<std::string, std::set<std::string>> ports_;
  ImportResult out_;
};

}  // namespace

ImportResult import_schedule(std::string_view csv) { return Importer(csv).run(); }

}  // namespace tallywire::config
