#include "probes/volume/report.hpp"

#include <nlohmann/json.hpp>

#include <utility>

namespace tallywire::volume {
namespace {

using nlohmann::json;
using Figure = std::optional<double> VolumeReport::*;

constexpr std::pair<const char*, Figure> figures[] = {
    {"sustained_write_bytes_per_s", &VolumeReport::sustained_write_bytes_per_s},
    {"slowest_second_bytes_per_s", &VolumeReport::slowest_second_bytes_per_s},
    {"longest_pause_ms", &VolumeReport::longest_pause_ms},
    {"longest_pause_at_s", &VolumeReport::longest_pause_at_s},
    {"written_bytes", &VolumeReport::written_bytes},
    {"duration_s", &VolumeReport::duration_s},
    {"kernel_write_bytes_per_s", &VolumeReport::kernel_write_bytes_per_s},
    {"kernel_ratio", &VolumeReport::kernel_ratio},
    {"capacity_bytes", &VolumeReport::capacity_bytes},
    {"free_bytes", &VolumeReport::free_bytes},
    {"knee_at_bytes", &VolumeReport::knee_at_bytes},
    {"before_knee_bytes_per_s", &VolumeReport::before_knee_bytes_per_s},
    {"after_knee_bytes_per_s", &VolumeReport::after_knee_bytes_per_s},
    {"files", &VolumeReport::files},
    {"chunk_bytes", &VolumeReport::chunk_bytes},
};
// Only where they were asked for.
constexpr std::pair<const char*, Figure> asked_figures[] = {
    {"arriving_bytes_per_s", &VolumeReport::arriving_bytes_per_s},
    {"backlog_most_bytes", &VolumeReport::backlog_most_bytes},
    {"backlog_end_bytes", &VolumeReport::backlog_end_bytes},
    {"latest_write_s", &VolumeReport::latest_write_s},
    {"playback_bytes_per_s", &VolumeReport::playback_bytes_per_s},
    {"playback_wanted_bytes_per_s", &VolumeReport::playback_wanted_bytes_per_s},
    {"playback_longest_pause_ms", &VolumeReport::playback_longest_pause_ms},
    {"playback_behind_bytes", &VolumeReport::playback_behind_bytes},
};

json or_null(const std::optional<double>& value) { return value ? json(*value) : json(); }

json percentiles(const LatencyFigures& f) {
  return {{"p50", or_null(f.p50_ms)},
          {"p95", or_null(f.p95_ms)},
          {"p99", or_null(f.p99_ms)},
          {"p99_9", or_null(f.p99_9_ms)},
          {"longest", or_null(f.longest_ms)}};
}

}  // namespace

void to_json(json& out, const VolumeReport& r) {
  out = {{"path", r.path}, {"filesystem", r.filesystem}, {"method", r.method}, {"sustained_of", r.sustained_of},
         {"longest_pause_in", r.longest_pause_in}, {"device", r.device}, {"notes", r.notes}, {"unread", r.unread}, {"when", to_rfc3339(r.when)}};
  for (const auto& [key, figure] : figures) out[key] = or_null(r.*figure);
  for (const auto& [key, figure] : asked_figures)
    if (r.*figure) out[key] = *(r.*figure);
  out["writes"] = r.writes.operations;
  out["write_latency_ms"] = percentiles(r.writes);
  out["commits"] = r.commits.operations;
  out["commit_latency_ms"] = percentiles(r.commits);
  if (r.playback_wanted_bytes_per_s) out["playback_latency_ms"] = percentiles(r.playback_reads);
  if (r.fault)
    out["error"] = {{"kind", name_of(r.fault->kind)}, {"what", r.fault->what}, {"where", r.fault->where}, {"try_next", r.fault->try_next}};
}

VolumeReport report_from_json(const json& in) {
  VolumeReport out;
  if (!in.is_object()) return out;
  const auto word = [](const json& object, const char* key) {
    const auto at = object.find(key);
    return at != object.end() && at->is_string() ? at->get<std::string>() : std::string();
  };
  const auto get = [&](const auto& table) {
    for (const auto& [key, figure] : table)
      if (const auto at = in.find(key); at != in.end() && at->is_number()) out.*figure = at->template get<double>();
  };
  get(figures);
  get(asked_figures);
  for (const auto& [key, field] : {std::pair{"path", &out.path}, {"filesystem", &out.filesystem}, {"method", &out.method},
                                   {"sustained_of", &out.sustained_of}, {"longest_pause_in", &out.longest_pause_in}})
    *field = word(in, key);
  if (const auto at = in.find("unread"); at != in.end() && at->is_object())
    for (const auto& [key, why] : at->items())
      if (why.is_string()) out.unread[key] = why.get<std::string>();
  if (const auto at = in.find("notes"); at != in.end() && at->is_array())
    for (const auto& note : *at)
      if (note.is_string()) out.notes.push_back(note.get<std::string>());
  if (const auto at = in.find("error"); at != in.end() && at->is_object())
    out.fault = Fault{FaultKind::system, word(*at, "what"), word(*at, "where"), word(*at, "try_next")};
  try {
    out.when = from_rfc3339(word(in, "when"));
  } catch (const std::invalid_argument&) {
    out.when = now_utc();
  }
  return out;
}

std::vector<Reading> to_readings(const VolumeReport& r, const std::string& subject) {
  std::vector<Reading> out;
  const auto over = std::chrono::nanoseconds(static_cast<std::int64_t>(r.duration_s.value_or(0) * 1e9));
  const auto add = [&](const char* quantity, const std::optional<double>& value) {
    const auto why = r.unread.find(quantity);
    out.push_back(r.fault ? unread(subject, quantity, r.fault->what, r.when)
                  : value ? read_number(subject, quantity, *value, r.method, r.when, over)
                          : unread(subject, quantity, why == r.unread.end() ? "was not measured" : why->second, r.when));
  };
  add("sustained_write_bytes_per_s", r.sustained_write_bytes_per_s);
  add("slowest_second_bytes_per_s", r.slowest_second_bytes_per_s);
  add("longest_pause_ms", r.longest_pause_ms);
  add("capacity_bytes", r.capacity_bytes);
  add("free_bytes", r.free_bytes);
  return out;
}

}  // namespace tallywire::volume
