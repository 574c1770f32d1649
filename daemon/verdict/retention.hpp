// How many days a volume holds at the rates that were measured.
#pragma once

#include "config/design.hpp"
#include "probes/reading.hpp"

#include <vector>

namespace tallywire::verdict {

// Days that a volume holds at a rate, with the share that is kept free; decimal octets, no container
// overhead. `bytes_per_s` > 0.
double days_held(double capacity_bytes, double kept_free_ratio, double bytes_per_s);

// Quantity "days_held_days" from the payload rates in `readings` and the capacity of the design; unread
// when a stream was not metered, since a sum with a gap would promise too much.
Reading days_held_reading(const config::Design& design, const config::Recorder& recorder,
                          const config::Volume& volume, const std::vector<Reading>& readings,
                          SystemTime when);

}  // namespace tallywire::verdict
