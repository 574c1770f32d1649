// Does a card hold what it says? Fills the free space with blocks that each say which they are, under a random key, and reads them back
// past every cache. Only free space and own files are written; what the file system keeps back (reserved blocks, its own tables) and
// what is in use is not tested. Resumable: a stop or a kill keeps the files, and the same call goes on.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"
#include "probes/volume/device_nature.hpp"

#include <nlohmann/json_fwd.hpp>

#include <atomic>
#include <cstdint>
#include <functional>
#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::volume {

struct CapacityRequest {
  std::string path;                              // a directory on the volume
  std::optional<std::uint64_t> most_bytes;       // fill no more than this; without it all that is free
  std::uint64_t file_bytes = 1ULL << 30;         // of each own file; a multiple of 1 MiB, the same in all calls of a run
};

struct BadPlace {
  std::string file;                              // name of the own file
  double file_offset_bytes = 0;
  std::optional<double> device_bytes;            // address on `device.name`, where the file system tells
  std::string what;                              // "another block stands there", …
  std::optional<double> found_device_bytes;      // where the block that stands there was written to
};

struct CapacityReport {
  std::string path, filesystem, method;
  std::string state;                             // "complete", "stopped while filling", "stopped while checking"
  DeviceNature device;
  double capacity_bytes = 0, left_bytes = 0;     // of the file system; not tested beside what is in use
  double resumed_at_bytes = 0;                   // of filling and checking together
  double filled_bytes = 0, checked_bytes = 0, bad_bytes = 0;
  double wrapped_bytes = 0, lost_bytes = 0, damaged_bytes = 0, unreadable_bytes = 0;
  std::optional<BadPlace> first_bad;
  std::optional<double> true_capacity_bytes;     // an estimate; none while nothing is bad
  std::string true_capacity_of;                  // how it is estimated
  std::optional<double> fill_write_bytes_per_s, check_read_bytes_per_s;
  std::vector<std::string> notes;
  std::optional<Fault> fault;
  SystemTime when{};
  std::map<std::string, std::string> unread;
};

using CapacityProgress = std::function<void(double done_s, double total_s, const std::string& doing)>;

// Blocks, for hours on a large card; `stop` ends it within a write or a read of 1 MiB, and after 30 s when that does not come back. A
// volume that gives no sign for five minutes is told as one that does not answer.
Outcome<CapacityReport> find_true_capacity(const CapacityRequest& request, const std::atomic<bool>& stop, const CapacityProgress& progress);

void to_json(nlohmann::json& out, const CapacityReport& report);

}  // namespace tallywire::volume
