// The bench as a person reads it: the clocks in a table, then what it takes to read them.
#include "daemon/client/render.hpp"
#include "daemon/client/table.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <cstdio>
#include <map>

namespace tallywire::client {
namespace {

using nlohmann::json;
using verdict::spoken_duration;

std::string state_words(const std::string& state) {
  static const std::map<std::string, std::string> words = {{"awaited", "not seen yet"}, {"no_limit", "powered, no limit known"},
                                                           {"running", "powered"},      {"nearly", "NEARLY AT ITS LIMIT"},
                                                           {"over", "OVER ITS LIMIT"},  {"off", "off"}};
  const auto at = words.find(state);
  return at == words.end() ? state : at->second;
}

// A minute's clock does not jump between units: 1:05, 24:00, 1:02:03.
std::string clock_text(double seconds) {
  const auto whole = static_cast<long long>(seconds < 0 ? -seconds : seconds);
  char text[48];
  if (whole < 3600)
    std::snprintf(text, sizeof text, "%lld:%02lld", whole / 60, whole % 60);
  else
    std::snprintf(text, sizeof text, "%lld:%02lld:%02lld", whole / 3600, whole / 60 % 60, whole % 60);
  return text;
}

std::string powered_for(const json& unit) {
  if (unit.at("powered_for_s").is_null()) return unit.at("state") == "awaited" ? "" : "unread";
  return (unit.at("power_on_seen").get<bool>() ? "" : "at least ") + clock_text(unit.at("powered_for_s"));
}

std::string left(const json& unit) {
  if (unit.at("left_s").is_null() || unit.at("state") == "off") return "";
  const double s = unit.at("left_s");
  return s < 0 ? "over by " + clock_text(s) : (unit.at("power_on_seen").get<bool>() ? "" : "at most ") + clock_text(s);
}

std::string degrees(const json& value) {
  char text[32];
  std::snprintf(text, sizeof text, "%g", value.get<double>());
  return text;
}

std::string room(const json& unit) {
  const auto &least = unit.at("ambient_min_c"), &most = unit.at("ambient_max_c");
  if (least.is_null() && most.is_null()) return "not in the design";
  if (least.is_null()) return "at most " + degrees(most) + " °C";
  if (most.is_null()) return "at least " + degrees(least) + " °C";
  return "between " + degrees(least) + " and " + degrees(most) + " °C";
}

std::string against(const json& unit, const char* quantity) {
  const auto& told = unit.at(quantity);
  const std::string value = told.is_null() ? "unread" : told.is_string() ? told.get<std::string>() : told.dump();
  for (const auto& v : unit.at("verdicts")) {
    if (v.at("quantity") != quantity || told.is_null()) continue;
    return value + (v.at("verdict") == "missed" ? " MISSED, designed " + (v.at("target").at("word").is_null() ? degrees(v.at("target").at("promised"))
                                                                                                            : text_of(v.at("target"), "word"))
                                                : " " + text_of(v, "verdict"));
  }
  return value + (told.is_null() ? "" : ", not in the design");
}

// Reasons why something is unread, each once a unit.
std::string unread_lines(const json& unit) {
  std::map<std::string, std::string> quantities;
  for (const auto& v : unit.at("verdicts")) {
    if (v.at("verdict") != "unread") continue;
    auto& list = quantities[text_of(v, "reason")];
    list += (list.empty() ? "" : ", ") + text_of(v, "quantity");
  }
  std::string out;
  for (const auto& [reason, list] : quantities) out += "  unread  " + text_of(unit, "camera") + ": " + list + ": " + reason + "\n";
  return out;
}

std::string notes_of(const json& unit) {
  const auto camera = "  " + text_of(unit, "camera") + ": ";
  std::string out;
  if (unit.at("state") == "no_limit")
    out += camera + "the design gives no limit; look it up in the unit's installation guide and write it into the design (bench_limit_s)\n";
  if (!unit.at("powered_for_s").is_null() && !unit.at("power_on_seen").get<bool>())
    out += camera + "its power-on was not seen: it was here already, or showed no sign of a start\n";
  for (const auto& when : unit.at("restarts")) out += camera + "restarted at " + when.get<std::string>() + "; the clock runs on, for it stays hot\n";
  if (!unit.at("off_before_s").is_null())
    out += camera + "was off for " + spoken_duration(unit.at("off_before_s")) + " before; the clock began anew, but it may not have cooled down\n";
  if (unit.at("state") == "off") out += camera + "off since " + text_of(unit, "off_since") + "; it may still be hot\n";
  return out;
}

}  // namespace

std::string render_bench(const json& bench) {
  Table clocks, identities;
  clocks.row({"unit", "place", "state", "powered for", "limit", "left", "room by its guide"});
  identities.row({"unit", "serial", "model", "firmware", "heads"});
  std::string notes, unread;
  for (const auto& unit : bench.at("units")) {
    clocks.row({text_of(unit, "camera"), text_of(unit, "place"), state_words(text_of(unit, "state")), powered_for(unit),
                unit.at("limit_s").is_null() ? "not in the design" : clock_text(unit.at("limit_s")), left(unit), room(unit)});
    notes += notes_of(unit);
    if (unit.at("state") == "awaited") continue;
    identities.row({text_of(unit, "camera"), against(unit, "serial"), against(unit, "model"), against(unit, "firmware"), against(unit, "heads")});
    unread += unread_lines(unit);
  }
  std::string out = text_of(bench, "at") + "\n" + (bench.at("units").empty() ? "No unit of the design has a limit, and none was seen.\n" : clocks.text());
  out += "The clock begins with a unit's first frame: it was powered before, while it booted. The temperature of the room is unread: " +
         text_of(bench.at("unread"), "ambient_c") + ".\n";
  out += notes;
  if (std::any_of(bench.at("units").begin(), bench.at("units").end(), [](const json& unit) { return unit.at("state") != "awaited"; }))
    out += "\n" + identities.text() + unread;
  if (!bench.at("findings").empty()) out += "What the bench points to:\n" + render_findings(bench.at("findings"));
  return out;
}

}  // namespace tallywire::client
