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
  const auto what = at->contains("class") ? text_of(*at, "class") + ", at least " + spoken_byte_rate(at->at("least_write_bytes_per_s")) + " (" +
                                                text_of(*at, "text") + ")"
                                          : text_of(*at, "text");
  table.row({name, text_of(*at, "verdict") + ": " + what});
}

std::string told_of(const json& a) {
  std::string out;
  for (const auto& note : a.at("notes")) out += "  - " + note.get<std::string>() + ".\n";
  if (const auto at = a.find("error"); at != a.end())
    out += "It ended early: " + text_of(*at, "what") + " (" + text_of(*at, "where") + "); try: " + text_of(*at, "try_next") + ".\n";
  return out;
}

std::string address(const json& value) {
  return value.is_null() ? "an address that the file system does not tell" : "octet " + text_of({{"at", value}}, "at") + " of the device";
}

std::string render_capacity(const json& a) {
  Table table;
  const auto& device = a.at("device");
  table.row({"volume", text_of(a, "path") + ", " + text_of(a, "filesystem") + (text_of(device, "name").empty() ? "" : " on " + text_of(device, "name"))});
  table.row({"run", text_of(a, "state") + (a.at("resumed_at_bytes") > 0 ? ", went on after " + spoken(a, "resumed_at_bytes") : "")});
  table.row({"filled", spoken(a, "filled_bytes") + " at " + spoken(a, "fill_write_bytes_per_s")});
  table.row({"read back", spoken(a, "checked_bytes") + " at " + spoken(a, "check_read_bytes_per_s")});
  table.row({"not tested", "what is in use, and " + spoken(a, "left_bytes") + " that stayed free" + (a.at("state") == "complete" ? "" : " so far")});
  const bool bad = a.at("bad_bytes") > 0;
  if (bad)
    table.row({"bad", spoken(a, "bad_bytes") + ": " + spoken(a, "wrapped_bytes") + " hold another block, " + spoken(a, "lost_bytes") + " lost theirs, " +
                          spoken(a, "damaged_bytes") + " are damaged, " + spoken(a, "unreadable_bytes") + " cannot be read"});
  if (const auto& first = a.at("first_bad"); !first.is_null())
    table.row({"first bad", text_of(first, "file") + " at octet " + text_of(first, "file_offset_bytes") + ", " + address(first.at("device_bytes")) +
                                ": " + text_of(first, "what") +
                                (first.at("found_device_bytes").is_null() ? "" : ", written to " + address(first.at("found_device_bytes")))});
  if (!a.at("true_capacity_bytes").is_null())
    table.row({"true capacity", "about " + spoken(a, "true_capacity_bytes") + " (" + text_of(a, "true_capacity_of") + ")"});
  else if (a.at("unread").contains("true_capacity_bytes")) table.row({"true capacity", spoken(a, "true_capacity_bytes")});
  std::string out = table.text() + told_of(a);
  if (a.at("state") == "complete")
    out += bad ? "The card does not hold what it says: do not record on it.\n" : "Every block that was written came back as it was.\n";
  if (a.at("state") == "complete" && !bad && a.at("left_bytes") > a.at("filled_bytes").get<double>() / 10)
    out += "What stayed free is not tested: a card that lies may do so there. Fill all of it to be sure.\n";
  return out;
}

}  // namespace

std::string render_volume(const json& a) {
  if (a.contains("abandoned")) return a.at("abandoned") == true ? "What the unfinished run kept is removed.\n" : "No unfinished run stands there.\n";
  if (a.contains("checked_bytes")) return render_capacity(a);
  Table table;
  const auto& device = a.at("device");
  table.row({"volume", text_of(a, "path") + ", " + text_of(a, "filesystem") + (text_of(device, "name").empty() ? "" : " on " + text_of(device, "name")) +
                           (text_of(device, "kind").empty() ? "" : ", " + text_of(device, "kind"))});
  table.row({"capacity", spoken(a, "capacity_bytes") + ", free " + spoken(a, "free_bytes")});
  table.row({"written", spoken(a, "written_bytes") + " in " + spoken(a, "duration_s")});
  table.row({"how", text_of(a, "method")});
  table.row({"sustained", spoken(a, "sustained_write_bytes_per_s") + (text_of(a, "sustained_of").empty() ? "" : " (" + text_of(a, "sustained_of") + ")")});
  table.row({"by the kernel", spoken(a, "kernel_write_bytes_per_s") +
                                  (a.at("kernel_ratio").is_null() ? "" : ", " + spoken_value("_ratio", a.at("kernel_ratio")) + " of our own count")});
  table.row({"slowest second", spoken(a, "slowest_second_bytes_per_s")});
  table.row({"longest pause", spoken(a, "longest_pause_ms") +
                                  (a.at("longest_pause_at_s").is_null()
                                       ? ""
                                       : ", a " + text_of(a, "longest_pause_in") + " begun at " + spoken_duration(a.at("longest_pause_at_s")))});
  if (!a.at("knee_at_bytes").is_null())
    table.row({"knee", "after " + spoken(a, "knee_at_bytes") + ": " + spoken(a, "before_knee_bytes_per_s") + " before, " +
                           spoken(a, "after_knee_bytes_per_s") + " after"});
  percentiles(table, "writes", a, "writes", "write_latency_ms");
  percentiles(table, "commits", a, "commits", "commit_latency_ms");
  if (a.contains("arriving_bytes_per_s"))
    table.row({"waiting", "of " + spoken(a, "arriving_bytes_per_s") + " at most " + spoken(a, "backlog_most_bytes") + ", at the end " +
                              spoken(a, "backlog_end_bytes") + "; the latest write came " + spoken(a, "latest_write_s") + " late"});
  if (a.contains("playback_wanted_bytes_per_s"))
    table.row({"read back", spoken(a, "playback_bytes_per_s") + " of " + spoken(a, "playback_wanted_bytes_per_s") + ", behind by " +
                                spoken(a, "playback_behind_bytes")});
  percentiles(table, "reads", a, "reads", "playback_latency_ms");
  held_against(table, "against the streams", a, "target");
  held_against(table, "against its class", a, "speed_class");
  return table.text() + told_of(a);
}

}  // namespace tallywire::client
