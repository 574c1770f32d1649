// Writes to a volume as a recorder would, as many files at once as there are streams, and says what it took. Only free space and
// own files are written; what was made is removed, also after a kill at the next start.
#pragma once

#include "probes/fault.hpp"
#include "probes/volume/own_files.hpp"
#include "probes/volume/report.hpp"

#include <atomic>
#include <chrono>
#include <functional>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::volume {

struct VolumeRequest {
  std::string path;                                  // a directory on the volume
  // How long to write; 0: until the rate has settled, 10 s at least and `longest` at most.
  std::chrono::milliseconds duration{10'000};
  std::chrono::milliseconds longest{300'000};
  int parallel_files = 4;                            // 1 to 1024
  double kept_free_ratio = 0.05;                     // of the capacity: never written into
  std::size_t chunk_bytes = 1 << 20;                 // what a recorder appends at once; a multiple of 4096, 64 MiB at most
  IoMode io = IoMode::automatic;
  // How often each file is committed (fdatasync), in turn. Without it: buffered each second, direct at a file's end only.
  std::optional<std::chrono::milliseconds> commit_every;
  // Of each file in turn, repeated when there are more files; for `paced` and `playback_files`.
  std::vector<double> stream_bytes_per_s;
  bool paced = false;                                // write as fast as the streams arrive, not flat out
  int playback_files = 0;                            // so many of the files are read back at the same time
};

using VolumeProgress = std::function<void(double done_s, double total_s)>;  // called on the calling thread

// Blocks for the duration and one write more, or for 10 s more when that write does not come back; 10 s when no file can be made, a
// minute at the end when none can be removed. What hangs then stays in a thread of its own, and the path is refused meanwhile. `stop` ends it early; what was
// read stays. A volume that fails in the middle answers a report with its `fault`.
Outcome<VolumeReport> measure_volume(const VolumeRequest& request, const std::atomic<bool>& stop,
                                     const VolumeProgress& progress);

}  // namespace tallywire::volume
