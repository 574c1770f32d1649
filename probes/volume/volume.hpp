// Writes to a volume as a recorder would, several files at once, and says what it took. Only free space and
// own files are written; what was made is removed, also after a kill at the next start.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json_fwd.hpp>

#include <atomic>
#include <chrono>
#include <functional>
#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::volume {

struct VolumeRequest {
  std::string path;                        // a directory on the volume
  std::chrono::milliseconds duration{10'000};
  int parallel_files = 4;
  double kept_free_ratio = 0.05;           // of the capacity: never written into
};

struct VolumeReport {
  std::string path;
  std::optional<double> sustained_write_bytes_per_s;
  std::optional<double> slowest_second_bytes_per_s;
  std::optional<double> longest_pause_ms;          // the longest single write
  std::optional<double> written_bytes;
  std::optional<double> duration_s;
  std::optional<double> kernel_write_bytes_per_s;  // the block device's own count in the same time
  std::optional<double> capacity_bytes;
  std::optional<double> free_bytes;
  std::string filesystem;
  std::string method;
  SystemTime when{};
  std::map<std::string, std::string> unread;
};

using VolumeProgress = std::function<void(double done_s, double total_s)>;  // called on the calling thread

// Blocks for the duration and at most one write more. `stop` ends it early; what was read stays.
Outcome<VolumeReport> measure_volume(const VolumeRequest& request, const std::atomic<bool>& stop,
                                     const VolumeProgress& progress);

void to_json(nlohmann::json& out, const VolumeReport& report);
VolumeReport report_from_json(const nlohmann::json& in);
std::vector<Reading> to_readings(const VolumeReport& report, const std::string& subject);

// Least sequential write rate that a speed class promises; none for an unknown class (SD Association).
std::optional<double> class_write_bytes_per_s(const std::string& speed_class);

}  // namespace tallywire::volume
