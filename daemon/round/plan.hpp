// What a round may have open at once. Pure. Every link between the units and this machine has a
// budget: its ceiling less what it already carries. A stream is opened when every link on its way
// has room for it, the heaviest first, and gives the room back when it ends.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

namespace tallywire::round {

struct PlannedStream {
  std::string subject;
  double load_bps = 0;              // on the wire
  std::vector<std::size_t> links;   // indices into the budgets
};

struct LinkBudget {
  std::string subject;
  double budget_bps = 0;            // ceiling less present load, not below 0
  double taken_bps = 0;
};

class LinkBudgets {
 public:
  explicit LinkBudgets(std::vector<LinkBudget> links) : links_(std::move(links)) {}
  bool could_ever(const PlannedStream& stream) const;
  bool try_take(const PlannedStream& stream);
  void give_back(const PlannedStream& stream);
  const std::vector<LinkBudget>& links() const { return links_; }
  // The link that has no room for the stream even when it is alone; empty when all have.
  std::string too_small_for(const PlannedStream& stream) const;

 private:
  std::vector<LinkBudget> links_;
};

struct Plan {
  std::vector<PlannedStream> order;       // heaviest first
  std::vector<PlannedStream> impossible;  // heavier than a link on their way may ever carry
  double streams_s = 0;                   // how long the streams take together
  int most_at_once = 0;
  std::string limited_by;                 // subject of the link that bounds it; empty: none does
};

// `stream_s`: how long one stream is metered, opening and closing included.
Plan plan_streams(std::vector<PlannedStream> streams, LinkBudgets budgets, double stream_s,
                  int most_at_once);

}  // namespace tallywire::round
