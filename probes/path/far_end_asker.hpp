// Measurements that a far end takes part in.
#pragma once

#include "probes/fault.hpp"
#include "probes/path/agreement.hpp"
#include "probes/path/throughput.hpp"
#include "probes/stop.hpp"
#include "probes/volume/volume.hpp"

#include <boost/asio/awaitable.hpp>

#include <chrono>
#include <functional>
#include <string>

namespace tallywire::path {

using PathProgress = std::function<void(double done_s, double total_s)>;

// `patience`: with a path that carries nothing, before it is timed out. A stop ends it early with what was read.
boost::asio::awaitable<Outcome<ThroughputReport>> measure_throughput(FarEndAddress far_end, Direction direction,
                                                                     std::chrono::milliseconds duration,
                                                                     double ceiling_bps, PathProgress progress,
                                                                     Stop& stop,
                                                                     std::chrono::milliseconds patience = std::chrono::seconds(6));

// The far end measures a directory that its settings name for this path, and keeps so much of its capacity free.
boost::asio::awaitable<Outcome<volume::VolumeReport>> measure_far_volume(FarEndAddress far_end, std::string path,
                                                                         std::chrono::milliseconds duration,
                                                                         int parallel_files, Stop& stop,
                                                                         double kept_free_ratio = 0.05);

}  // namespace tallywire::path
