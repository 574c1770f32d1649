// The verdict of a rehearsal: for the path as a whole and for each uplink on the way, whether it carries what the design will send
// over it, with the reserve. Pure functions.
#pragma once

#include "config/design.hpp"
#include "daemon/verdict/busiest.hpp"
#include "daemon/verdict/verdict.hpp"
#include "probes/window_counts.hpp"

#include <optional>
#include <span>
#include <string>
#include <vector>

namespace tallywire::verdict {

// What was tried. Rates on the wire, means over whole GOPs.
struct RehearsedLoad {
  double asked_bps = 0;                      // all that was to be made up: 100 %
  std::optional<double> carried_bps;         // the highest load that was carried whole
  std::optional<double> lost_bps;            // the lowest at which something was lost
  std::optional<double> harm_bps;            // at which live work was harmed
  double asked_scale = 1;                    // of the design's bit rates: 1.5 asks each uplink for half as much again
  std::string method;
  std::string broke_off;                     // why it did not come to its end; empty when it did
  SystemTime when{};
};

// The directed uplinks between two nodes of the design: 2 * index in links_of(), + 1 against its direction.
std::vector<std::size_t> uplinks_between(const config::Design& design, const std::string& from, const std::string& to);

// Where a far end at this address stands: the design's far end, or one of its recorders; empty when it is neither.
std::string node_at(const config::Design& design, const std::string& address);

// Quantity "carried_ratio": carried load against what is asked; at least 1, tight within the reserve. The first is for the path
// itself, against all that was made up; then one for each uplink, against what the design sends over it in that direction.
std::vector<Verdict> judge_rehearsal(const config::Design* design, std::span<const std::size_t> uplinks, const RehearsedLoad& load);

// The busiest instant of made-up streams, whose windows are known from their plan.
struct StreamWindows {
  std::vector<WindowCount> windows;
  double mean_bps = 0;
};
BusiestInstant busiest_of(std::span<const StreamWindows> streams, double risk_ratio);

}  // namespace tallywire::verdict
