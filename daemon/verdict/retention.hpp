// How many days a volume, or the cards of a unit, hold at the rates that were measured. Pure functions.
//
// Octets are decimal everywhere (1 GB = 10^9); who shows them to a person writes binary ones beside them with their own
// prefixes (IEC 80000-13: 1 GiB = 2^30).
#pragma once

#include "config/design.hpp"
#include "daemon/verdict/findings.hpp"
#include "daemon/verdict/forecast.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json_fwd.hpp>

#include <optional>
#include <string>
#include <vector>

namespace tallywire::verdict {

inline constexpr const char* days_held_quantity = "days_held_days";

// Days that a capacity holds at a rate, with the share that is kept free. `bytes_per_s` > 0.
double days_held(double capacity_bytes, double kept_free_ratio, double bytes_per_s);

// What records streams and forgets the oldest: a recorder's volume, or the cards of one unit.
struct Store {
  std::string subject;                // recorder/ID/volume/ID, camera/ID/cards
  std::string path;                   // of a volume, on the machine that holds it
  bool on_far_end = false;            // that machine is the far end
  double designed_bytes = 0;          // of cards together their sum, as copies the smallest
  double days_to_hold = 0;            // 0: nothing is promised
  std::vector<std::string> streams;   // subjects
  std::string unread;                 // why nothing can be said of it; empty when something can
};
std::vector<Store> stores_of(const config::Design& design);

struct DaysHeld {
  Store store;
  std::optional<double> capacity_bytes;   // the smaller of the designed and the measured one
  bool capacity_is_measured = false;
  double kept_free_ratio = 0;
  double container_overhead_ratio = 0;
  std::optional<double> rate_bytes_per_s;  // of all its streams, with the container's overhead
  double rate_uncertainty_bytes_per_s = 0;
  std::optional<double> days;
  double uncertainty_days = 0;
  SystemTime when{};                       // of the oldest rate in it
  std::string method;
  std::string unread;                      // why `days` is not there
  Forecast forecast;
};

// From the payload rates in `readings` and, where a tap metered a stream for longer, in `tapped`. Unread when a stream was not
// metered, since a sum with a gap would promise too much. `nights` may be empty; then the forecast is unread, with the reason.
std::vector<DaysHeld> days_held_of(const config::Design& design, const std::vector<Reading>& readings, const std::vector<Reading>& tapped,
                                   const std::vector<NightRate>& nights, SystemTime now);

// Stores that hold enough today and will not, if the rates go on as the nights show.
std::vector<Finding> find_coming_short(const std::vector<DaysHeld>& rows);

// Quantity days_held_days.
Reading to_reading(const DaysHeld& row, SystemTime when);

void to_json(nlohmann::json& out, const DaysHeld& row);

}  // namespace tallywire::verdict
