// Headroom as a network admin reads it: a table of the uplinks, then a line or two about each of them. Rows of rounds that were
// recorded before a field existed lack it: then its cell is empty.
#include "daemon/client/render.hpp"
#include "daemon/client/table.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <cstdio>

namespace tallywire::client {
namespace {

using nlohmann::json;
using verdict::spoken_bit_rate, verdict::spoken_bytes, verdict::spoken_subject;

const json& field(const json& row, const char* key) {
  static const json none;
  const auto at = row.find(key);
  return at == row.end() ? none : *at;
}

std::string word(const json& row, const char* key) { return field(row, key).is_string() ? field(row, key).get<std::string>() : ""; }

std::string figure(const char* format, double value) {
  char text[32];
  std::snprintf(text, sizeof text, format, value);
  return text;
}

// "40.1 Mbit/s, 57 %": the share that it takes of its limit; "OVER" stands out where colours do not.
std::string against(const json& row, const char* key, const char* limit_key) {
  const auto& value = field(row, key);
  if (value.is_null()) return row.contains(key) ? "unread" : "";
  const double bps = value.get<double>(), limit = row.at(limit_key).get<double>();
  std::string out = spoken_bit_rate(bps);
  if (limit > 0) out += ", " + figure("%.0f %%", 100 * bps / limit);
  return bps > limit ? out + " OVER" : out;
}

std::string more_of(const json& row) {
  const auto& units = field(row, "more_units");
  if (!units.is_null()) return units.dump();
  return row.contains("more_units") && row.at("streams").get<int>() > 0 ? "unread" : "";
}

std::string buffer_of(const json& row) {
  const auto& bytes = field(row, "buffer_needed_bytes");
  if (!bytes.is_null()) return spoken_bytes(bytes);
  return row.contains("buffer_needed_bytes") && row.at("streams").get<int>() > 0 ? "unread" : "";
}

std::string metered_of(const json& row) { return row.at("streams_measured").dump() + " of " + row.at("streams").dump(); }

std::string room_of(const json& row) {
  const auto& units = field(row, "more_units");
  if (units.is_null()) {
    const auto why = word(row, "more_units_unread");
    return why.empty() || why == word(row, "unread") ? "" : "how many more units fit is unread: " + why;
  }
  const auto like = spoken_subject(word(row, "more_units_like"));
  const std::string limit = word(row, "more_units_limited_by") == "ceiling" ? "by the mean, against the ceiling" : "at the busiest instant, against the speed";
  if (units == 0) return "no further unit like " + like + " fits, " + limit;
  return "room for " + units.dump() + " more like " + like + ", the heaviest unit on it; " + limit;
}

std::string busiest_of(const json& row) {
  if (field(row, "busiest_exceeded_ratio").is_null() || field(row, "busiest_bps").is_null()) return "";
  std::string out = "busiest " + field(row, "busiest_window_ms").dump() + " ms by " +
                    (word(row, "busiest_by") == "convolution" ? "convolution of what was measured" : "a proven bound") +
                    "; a window is above it with a probability of at most " + figure("%.2g", row.at("busiest_exceeded_ratio").get<double>());
  if (const auto& seen = field(row, "windows_seen_least"); !seen.is_null())
    out += "; each stream was seen in " + figure("%.0f", seen.get<double>()) + " windows or more";
  return out;
}

std::string together_of(const json& row) {
  const auto& together = field(row, "together_bps");
  const auto& busiest = field(row, "busiest_bps");
  if (together.is_null() || busiest.is_null() || together <= row.at("speed_bps") || busiest > row.at("speed_bps")) return "";
  std::string out = "holds as long as key frames fall apart; all at once they are more than its speed";
  if (const auto& bytes = field(row, "buffer_needed_bytes"); !bytes.is_null())
    out += ", and the switch must hold " + spoken_bytes(bytes) + " back (its buffer is in no standard MIB: see its data sheet)";
  return out;
}

}  // namespace

std::string render_uplinks(const json& rows) {
  Table table;
  table.row({"uplink", "speed", "ceiling", "designed", "measured (of ceiling)", "busiest instant (of speed)", "all at once (of speed)", "more units", "buffer",
             "streams metered"});
  for (const auto& row : rows)
    table.row({spoken_subject(row.at("uplink")), spoken_bit_rate(row.at("speed_bps")), spoken_bit_rate(row.at("ceiling_bps")),
               spoken_bit_rate(row.at("designed_bps")), against(row, "measured_bps", "ceiling_bps"), against(row, "busiest_bps", "speed_bps"),
               against(row, "together_bps", "speed_bps"), more_of(row), buffer_of(row), metered_of(row)});
  return table.text();
}

std::string render_headroom(const json& headroom) {
  const auto& rows = headroom.at("uplinks");
  if (rows.empty()) return "No round has metered the uplinks yet: run `tallywire round`.\n";
  const auto& number = field(headroom, "round");
  std::string out = number.is_number_integer() && number > 0 ? "Of round " + number.dump() + ":\n" : "";
  out += render_uplinks(rows);
  bool any_busiest = false;
  for (const auto& row : rows) {
    std::string lines;
    const auto unread = word(row, "unread");
    for (const auto& line : {unread.empty() ? unread : "unread: " + unread, room_of(row), together_of(row), busiest_of(row)})
      if (!line.empty()) lines += "    " + line + "\n";
    any_busiest = any_busiest || !field(row, "busiest_bps").is_null();
    if (!lines.empty()) out += "\n  " + spoken_subject(row.at("uplink")) + "\n" + lines;
  }
  if (any_busiest)
    out += "\n  The busiest instant takes the streams' phases as independent. That is an assumption: frame clocks can lock, and “all at once”\n"
           "  is what they bring then. “Buffer” is what waits before the uplink when all key frames start together.\n";
  return out;
}

}  // namespace tallywire::client
