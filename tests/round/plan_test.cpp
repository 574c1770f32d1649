#include "daemon/round/plan.hpp"

#include <catch2/catch.hpp>

#include <random>

using namespace tallywire::round;

namespace {

LinkBudgets one_link(double bps) { return LinkBudgets({{"up", bps, 0}}); }

std::vector<PlannedStream> alike(int n, double bps) {
  std::vector<PlannedStream> out;
  for (int i = 0; i < n; ++i) out.push_back({"s" + std::to_string(i), bps, {0}});
  return out;
}

}  // namespace

TEST_CASE("streams that fit together take one turn") {
  const auto plan = plan_streams(alike(10, 4e6), one_link(70e6), 12, 64);
  CHECK(plan.streams_s == 12);
  CHECK(plan.most_at_once == 10);
  CHECK(plan.limited_by.empty());
}

TEST_CASE("a link that bears five at once makes ten streams take two turns, and is named") {
  const auto plan = plan_streams(alike(10, 4e6), one_link(20e6), 12, 64);
  CHECK(plan.streams_s == 24);
  CHECK(plan.most_at_once == 5);
  CHECK(plan.limited_by == "up");
}

TEST_CASE("a stream that no link could bear alone is left out, not squeezed in") {
  auto streams = alike(2, 4e6);
  streams.push_back({"heavy", 30e6, {0}});
  const auto plan = plan_streams(streams, one_link(20e6), 12, 64);
  REQUIRE(plan.impossible.size() == 1);
  CHECK(plan.impossible[0].subject == "heavy");
  CHECK(one_link(20e6).too_small_for(plan.impossible[0]) == "up");
}

TEST_CASE("budgets are never overdrawn, whatever is taken and given back") {
  std::mt19937 random(7);
  LinkBudgets budgets({{"a", 50e6, 0}, {"b", 20e6, 0}});
  std::vector<PlannedStream> open;
  for (int i = 0; i < 20000; ++i) {
    if (open.empty() || random() % 2) {
      PlannedStream s{"s", static_cast<double>(random() % 9'000'000), {0}};
      if (random() % 2) s.links.push_back(1);
      if (budgets.try_take(s)) open.push_back(s);
    } else {
      budgets.give_back(open.back());
      open.pop_back();
    }
    for (const auto& link : budgets.links()) REQUIRE(link.taken_bps <= link.budget_bps);
  }
}
