// The answer of `volume` as text.
#include "daemon/client/render.hpp"
#include "daemon/client/table.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <cstdio>

namespace tallywire::client {
namespace {

using nlohmann::json;
using verdict::spoken_byte_rate, verdict::spoken_bytes, verdict::spoken_duration, verdict::spoken_value;

std::string spoken(const json& answer, const char* key) {
  const auto at = answer.find(key);
  if (at != answer.end() && !at->is_null()) return spoken_value(key, *at);
  const auto why = text_of(answer.value("unread", json::object()), key);
  return why.empty() ? "unread" : "unread: " + why;
}

std::string milliseconds(const json& value) {
  if (value.is_null()) return "";
  char text[32];
  std::snprintf(text, sizeof text, "%.4g ms", value.get<double>());
  return text;
}

void percentiles(Table& table, const char* name, const json& answer, const char* count, const char* key) {
  const auto at = answer.find(key);
  if (at == answer.end() || at->at("longest").is_null()) return;
  const auto& p = *at;
  table.row({name, "half within " + milliseconds(p.at("p50")) + ", 95 % " + milliseconds(p.at("p95")) + ", 99 % " + milliseconds(p.at("p99")) +
                       ", 99.9 % " + milliseconds(p.at("p99_9")) + ", longest " + milliseconds(p.at("longest")) +
                       (answer.contains(count) ? ", of " + spoken_value("", json(answer.at(count).get<long long>())) : "")});
}

void held_against(Table& table, const char* name, const json& answer, const char* key) {
  const auto at = answer.find(key);
  if (at == answer.end() || !at->is_object()) return;
  const auto what = at->contains("class") ? text_of(*at, "class") + ", at least " + spoken_byte_rate(at->at("least_write_bytes_per_s")) + " (" + text_of(*at, "text") + ")"
                                          : text_of(*at, "text");
  table.row({name, text_of(*at, "verdict") + ": " + what});
}

}  // namespace

std::string render_volume(const json& a) {
  Table table;
  const auto& device = a.at("device");
  table.row({"volume", text_of(a, "path") + ", " + text_of(a, "filesystem") + (text_of(device, "name").empty() ? "" : " on " + text_of(device, "name")) +
                           (text_of(device, "kind").empty() ? "" : ", " + text_of(device, "kind"))});
  table.row({"capacity", spoken(a, "capacity_bytes") + ", free " + spoken(a, "free_bytes")});
  table.row({"written", spoken(a, "written_bytes") + " in " + spoken(a, "duration_s")});
  table.row({"how", text_of(a, "method")});
  table.row({"sustained", spoken(a, "sustained_write_bytes_per_s") + (text_of(a, "sustained_of").empty() ? "" : " (" + text_of(a, "sustained_of") + ")")});
  table.row({"by the kernel", spoken(a, "kernel_write_bytes_per_s") + (a.at("kernel_ratio").is_null() ? "" : ", " + spoken_value("_ratio", a.at("kernel_ratio")) + " of our own count")});
  table.row({"slowest second", spoken(a, "slowest_second_bytes_per_s")});
  table.row({"longest pause", spoken(a, "longest_pause_ms") + (a.at("longest_pause_at_s").is_null() ? "" : ", a " + text_of(a, "longest_pause_in") + " begun at " + spoken_duration(a.at("longest_pause_at_s")))});
  if (!a.at("knee_at_bytes").is_null())
    table.row({"knee", "after " + spoken(a, "knee_at_bytes") + ": " + spoken(a, "before_knee_bytes_per_s") + " before, " + spoken(a, "after_knee_bytes_per_s") + " after"});
  percentiles(table, "writes", a, "writes", "write_latency_ms");
  percentiles(table, "commits", a, "commits", "commit_latency_ms");
  if (a.contains("arriving_bytes_per_s"))
    table.row({"waiting", "of " + spoken(a, "arriving_bytes_per_s") + " at most " + spoken(a, "backlog_most_bytes") + ", at the end " + spoken(a, "backlog_end_bytes") +
                              "; the latest write came " + spoken(a, "latest_write_s") + " late"});
  if (a.contains("playback_wanted_bytes_per_s"))
    table.row({"read back", spoken(a, "playback_bytes_per_s") + " of " + spoken(a, "playback_wanted_bytes_per_s") + ", behind by " + spoken(a, "playback_behind_bytes")});
  percentiles(table, "reads", a, "reads", "playback_latency_ms");
  held_against(table, "against the streams", a, "target");
  held_against(table, "against its class", a, "speed_class");
  std::string out = table.text();
  for (const auto& note : a.at("notes")) out += "  - " + note.get<std::string>() + ".\n";
  if (const auto at = a.find("error"); at != a.end())
    out += "It ended early: " + text_of(*at, "what") + " (" + text_of(*at, "where") + "); try: " + text_of(*at, "try_next") + ".\n";
  return out;
}

}  // namespace tallywire::client
