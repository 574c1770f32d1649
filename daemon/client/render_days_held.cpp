// Days held as a person reads them: a table of the volumes and cards, then what is said of each. Decimal octets first, binary ones
// beside them, each with its own prefix (IEC 80000-13).
#include "daemon/client/render.hpp"
#include "daemon/client/table.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <cstdio>

namespace tallywire::client {
namespace {

using nlohmann::json;
using verdict::spoken_byte_rate, verdict::spoken_bytes_twice, verdict::spoken_subject;

std::string figure(const char* format, double value) {
  char text[48];
  std::snprintf(text, sizeof text, format, value);
  return text;
}

std::string days_of(const json& row) {
  const auto& days = row.at("days_held_days");
  if (days.is_null()) return "unread";
  const double half = row.at("uncertainty_days");
  return figure("%.4g days", days) + (half > 0 ? figure(" (give or take %.2g)", half) : "");
}

std::string falls_short(const json& row) {
  const auto& state = row.at("falls_short");
  if (state.is_null()) return "unread";
  if (state == "now") return "NOW";
  if (state == "not_in_sight") return "not in sight";
  return "from " + text_of(row, "falls_short_on") + " on";
}

// The reasons and limits of one row's figures, a line each.
std::string notes_of(const json& row) {
  std::string out;
  const auto note = [&out](const std::string& text) { out += "  " + text + "\n"; };
  const auto& unread = row.at("unread");
  if (unread.contains("days_held_days"))
    note("days held are unread: " + text_of(unread, "days_held_days"));
  else if (unread.contains("falls_short"))
    note("when it falls short is unread: " + text_of(unread, "falls_short"));
  if (!row.at("trend_bytes_per_s_per_day").is_null()) {
    const auto rate = [&row](const char* key) { return figure("%+.3g kB/s", row.at(key).get<double>() / 1e3); };
    note(row.at("nights").dump() + " nights: " + rate("trend_bytes_per_s_per_day") + " a day, 95 % from " + rate("trend_low_bytes_per_s_per_day") + " to " +
         rate("trend_high_bytes_per_s_per_day"));
  }
  if (!row.at("falls_short_earliest").is_null() || !row.at("falls_short_latest").is_null())
    note("between " + text_of(row, "falls_short_earliest") + " and " +
         (row.at("falls_short_latest").is_null() ? "beyond ten years" : text_of(row, "falls_short_latest")) + " (95 %)");
  return out;
}

}  // namespace

std::string render_stores(const json& rows) {
  if (rows.empty()) return "";
  if (rows.is_object()) return render_stores(json::array({rows}));
  Table table;
  table.row({"Volume or card", "streams", "capacity", "writes", "holds", "asked for", "falls short"});
  for (const auto& row : rows)
    table.row({spoken_subject(row.at("subject")), row.at("streams").dump(), spoken_bytes_twice(row.at("capacity_bytes")) + " by " + text_of(row, "capacity_from"),
               row.at("rate_bytes_per_s").is_null() ? "unread" : spoken_byte_rate(row.at("rate_bytes_per_s")), days_of(row),
               row.at("days_to_hold_days").is_null() ? "nothing" : figure("%.4g days", row.at("days_to_hold_days")), falls_short(row)});
  std::string out = table.text();
  for (const auto& row : rows)
    if (const auto notes = notes_of(row); !notes.empty()) out += spoken_subject(row.at("subject")) + ":\n" + notes;
  return out;
}

std::string render_days_held(const json& answer) {
  if (answer.at("stores").empty()) return "Nothing is known of days held yet: `tallywire round` meters what the volumes and cards take.\n";
  std::string out = "By round " + answer.at("round").dump() + ", at the rates that were measured:\n\n" + render_stores(answer.at("stores"));
  const auto& row = answer.at("stores").front();
  return out + "\nOf the capacity " + figure("%g %%", row.at("kept_free_ratio").get<double>() * 100) + " is kept free; a recorder writes " +
         figure("%g %%", row.at("container_overhead_ratio").get<double>() * 100) + " beyond the streams' own octets.\n";
}

}  // namespace tallywire::client
