#include "daemon/round/plan.hpp"

#include <algorithm>

namespace tallywire::round {

std::string LinkBudgets::too_small_for(const PlannedStream& stream) const {
  for (const auto i : stream.links)
    if (stream.load_bps > links_[i].budget_bps) return links_[i].subject;
  return {};
}

bool LinkBudgets::could_ever(const PlannedStream& stream) const {
  return too_small_for(stream).empty();
}

bool LinkBudgets::try_take(const PlannedStream& stream) {
  for (const auto i : stream.links)
    if (links_[i].taken_bps + stream.load_bps > links_[i].budget_bps) return false;
  for (const auto i : stream.links) links_[i].taken_bps += stream.load_bps;
  return true;
}

void LinkBudgets::give_back(const PlannedStream& stream) {
  for (const auto i : stream.links)
    links_[i].taken_bps = std::max(0.0, links_[i].taken_bps - stream.load_bps);
}

Plan plan_streams(std::vector<PlannedStream> streams, LinkBudgets budgets, double stream_s,
                  int most_at_once) {
  Plan plan;
  std::stable_sort(streams.begin(), streams.end(), [](const auto& a, const auto& b) {
    return a.load_bps > b.load_bps;
  });
  for (auto& stream : streams)
    (budgets.could_ever(stream) ? plan.order : plan.impossible).push_back(std::move(stream));
  // All streams are metered equally long, so the round goes in waves.
  std::vector<PlannedStream> waiting = plan.order;
  while (!waiting.empty()) {
    LinkBudgets wave = budgets;
    std::vector<PlannedStream> later;
    int open = 0;
    for (auto& stream : waiting) {
      if (open < most_at_once && wave.try_take(stream)) {
        ++open;
        continue;
      }
      if (open < most_at_once && plan.limited_by.empty())
        for (const auto i : stream.links)
          if (wave.links()[i].taken_bps + stream.load_bps > wave.links()[i].budget_bps)
            plan.limited_by = wave.links()[i].subject;
      later.push_back(std::move(stream));
    }
    plan.most_at_once = std::max(plan.most_at_once, open);
    plan.streams_s += stream_s;
    waiting = std::move(later);
  }
  return plan;
}

}  // namespace tallywire::round
