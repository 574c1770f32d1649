// When each stream of a round is opened. Pure. Every link between the units and this machine has a budget: its ceiling less
// what it carries already. A stream holds room on every link of its way for as long as it is metered.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

namespace tallywire::round {

struct PlannedStream {
  std::string subject;
  double load_bps = 0;              // on the wire
  std::vector<std::size_t> links;   // indices into the budgets
  double seconds = 0;               // metering, opening and closing together
  double start_s = 0;               // from the first opening; plan_streams sets it
};

// No plan is shorter than `seconds`, and why. docs/job.md tells how it is reckoned.
struct LengthBound {
  enum class Cause { nothing, longest_stream, link, chain, most_at_once } cause = Cause::nothing;
  double seconds = 0;
  std::size_t link = 0;             // when that is the cause
};

struct Plan {
  std::vector<PlannedStream> order;       // by start, the longest first
  std::vector<PlannedStream> impossible;  // heavier than a link on their way may ever carry
  double streams_s = 0;                   // until the last has ended
  int most_at_once = 0;
  int waves = 0;                          // the most streams that follow one on another
  LengthBound bound;
};

// The first link that has no room for the stream even when it is alone; budgets.size() when all have.
std::size_t too_small_for(const PlannedStream& stream, const std::vector<double>& budgets_bps);

LengthBound length_bound(const std::vector<PlannedStream>& streams, const std::vector<double>& budgets_bps, int most_at_once);

// No link is above its budget at any instant. Takes some milliseconds for hundreds of streams, tenths of a second for thousands:
// not on the network thread. The same input gives the same plan.
Plan plan_streams(std::vector<PlannedStream> streams, const std::vector<double>& budgets_bps, int most_at_once);

}  // namespace tallywire::round
