// What measuring a volume answers. Keys and units: docs/commands.md, "volume".
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"
#include "probes/volume/device_nature.hpp"

#include <nlohmann/json_fwd.hpp>

#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::volume {

// Percentiles of how long single operations took; empty when there were none.
struct LatencyFigures {
  double operations = 0;
  std::optional<double> p50_ms, p95_ms, p99_ms, p99_9_ms, longest_ms;
};

struct VolumeReport {
  std::string path;
  std::optional<double> sustained_write_bytes_per_s;
  std::optional<double> slowest_second_bytes_per_s;
  std::optional<double> longest_pause_ms;          // the longest single write or commit
  std::optional<double> longest_pause_at_s;        // since the begin
  std::optional<double> written_bytes;
  std::optional<double> duration_s;
  std::optional<double> kernel_write_bytes_per_s;  // the block device's own count in the same time
  std::optional<double> kernel_ratio;              // the kernel's octets for each of ours
  std::optional<double> capacity_bytes;
  std::optional<double> free_bytes;
  std::optional<double> knee_at_bytes, before_knee_bytes_per_s, after_knee_bytes_per_s;  // none: the rate did not fall for good
  std::optional<double> arriving_bytes_per_s;      // paced: what the streams bring
  std::optional<double> backlog_most_bytes, backlog_end_bytes, latest_write_s;
  std::optional<double> playback_bytes_per_s, playback_wanted_bytes_per_s, playback_longest_pause_ms, playback_behind_bytes;
  std::optional<double> files, chunk_bytes;
  LatencyFigures writes, commits, playback_reads;
  std::string longest_pause_in;                    // "write", "commit"
  std::string sustained_of;                        // how the sustained rate is computed
  std::string filesystem;
  std::string method;
  DeviceNature device;
  std::vector<std::string> notes;                  // sentences for a person
  std::optional<Fault> fault;                      // what ended it early; what was read until then stays
  SystemTime when{};
  std::map<std::string, std::string> unread;
};

void to_json(nlohmann::json& out, const VolumeReport& report);
// The figures, the words and the fault; not `device` and the percentiles, which no round needs. Throws nothing.
VolumeReport report_from_json(const nlohmann::json& in);
// With a fault all are unread: half a measurement proves nothing.
std::vector<Reading> to_readings(const VolumeReport& report, const std::string& subject);

}  // namespace tallywire::volume
