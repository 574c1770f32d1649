#include "daemon/round/plan.hpp"

#include <catch2/catch.hpp>

#include <algorithm>
#include <map>
#include <numeric>
#include <random>

using namespace tallywire::round;

namespace {

constexpr int plenty = 256;

std::vector<PlannedStream> alike(int n, double bps, double seconds = 12) {
  std::vector<PlannedStream> out;
  for (int i = 0; i < n; ++i) out.push_back({"s" + std::to_string(i), bps, {0}, seconds});
  return out;
}

struct RandomSite {
  std::vector<double> budgets_bps;
  std::vector<PlannedStream> streams;
};

// A tree of switches below the one this machine hangs on; units of one to four streams, each with a link of its own; this
// machine's link at the end of every way. Links carry up to two thirds of their ceiling already.
RandomSite random_site(unsigned seed) {
  std::mt19937 random(seed);
  const auto below = [&random](int n) { return static_cast<int>(random() % static_cast<unsigned>(n)); };
  RandomSite out;
  const auto link = [&](double speed_bps) {
    out.budgets_bps.push_back(speed_bps * 0.7 * (1 - 0.01 * below(66)));
    return out.budgets_bps.size() - 1;
  };
  const std::size_t own = link(below(3) ? 1e9 : 1e8);
  const int switches = 1 + below(6);
  std::vector<std::vector<std::size_t>> way{{own}};
  for (int i = 1; i < switches; ++i) {
    auto up = way[static_cast<std::size_t>(below(i))];
    const double speeds[] = {1e8, 1e8, 1e9, 3e7};
    up.push_back(link(speeds[below(4)]));
    way.push_back(up);
  }
  const int units = 2 + below(60);
  for (int u = 0; u < units; ++u) {
    auto links = way[static_cast<std::size_t>(below(switches))];
    links.push_back(link(below(8) ? 1e8 : 1e7));
    for (int s = 1 + below(4); s > 0; --s) {
      const double gop_s = 0.5 * (1 + below(8)), mbps = below(3) ? 0.25 * (1 + below(32)) : 0.05 * (1 + below(20));
      const double seconds = std::ceil(10 / gop_s) * gop_s + 2;
      out.streams.push_back({"u" + std::to_string(u) + "/" + std::to_string(s), mbps * 1.1e6, links, seconds});
    }
  }
  return out;
}

// The greatest part of its budget that any link carries at any instant, by the starts and ends alone.
double fullest(const std::vector<PlannedStream>& streams, const std::vector<double>& budgets_bps) {
  double worst = 0;
  for (std::size_t link = 0; link < budgets_bps.size(); ++link) {
    std::vector<const PlannedStream*> on;
    for (const auto& s : streams)
      if (std::find(s.links.begin(), s.links.end(), link) != s.links.end()) on.push_back(&s);
    for (const auto* at : on) {
      double sum = 0;
      for (const auto* s : on)
        if (s->start_s <= at->start_s && at->start_s < s->start_s + s->seconds - 1e-9) sum += s->load_bps;
      worst = std::max(worst, sum / budgets_bps[link]);
    }
  }
  return worst;
}

// The shortest of all plans: each stream in turn as early as it fits, in every order (Sprecher, Kolisch, Drexl 1995: the best of
// the active schedules is the best of all).
double shortest(std::vector<PlannedStream> streams, const std::vector<double>& budgets_bps) {
  std::vector<std::size_t> order(streams.size());
  std::iota(order.begin(), order.end(), 0);
  double best = 1e9;
  do {
    std::vector<PlannedStream> placed;
    double length = 0;
    for (const auto i : order) {
      auto s = streams[i];
      std::vector<double> starts{0};
      for (const auto& p : placed) starts.push_back(p.start_s + p.seconds);
      std::sort(starts.begin(), starts.end());
      for (const double start : starts) {
        s.start_s = start;
        auto with = placed;
        with.push_back(s);
        if (fullest(with, budgets_bps) > 1 + 1e-12) continue;
        placed = std::move(with);
        length = std::max(length, start + s.seconds);
        break;
      }
    }
    best = std::min(best, length);
  } while (std::next_permutation(order.begin(), order.end()));
  return best;
}

}  // namespace

TEST_CASE("streams that fit together are one wave, and only their length bounds it") {
  const auto plan = plan_streams(alike(10, 4e6), {70e6}, 64);
  CHECK(plan.streams_s == 12);
  CHECK(plan.most_at_once == 10);
  CHECK(plan.waves == 1);
  CHECK(plan.bound.cause == LengthBound::Cause::longest_stream);
}

TEST_CASE("a link that bears five at once makes ten streams two waves, and is the cause") {
  const auto plan = plan_streams(alike(10, 4e6), {20e6}, 64);
  CHECK(plan.streams_s == 24);
  CHECK(plan.most_at_once == 5);
  CHECK(plan.waves == 2);
  CHECK(plan.bound.cause == LengthBound::Cause::link);
  CHECK(plan.bound.seconds == Approx(24));
}

TEST_CASE("a stream that no link could bear alone is left out, not squeezed in") {
  auto streams = alike(2, 4e6);
  streams.push_back({"heavy", 30e6, {0}, 12});
  const auto plan = plan_streams(streams, {20e6}, 64);
  REQUIRE(plan.impossible.size() == 1);
  CHECK(plan.impossible[0].subject == "heavy");
  CHECK(too_small_for(plan.impossible[0], {20e6}) == 0);
  CHECK(plan.order.size() == 2);
}

TEST_CASE("the longest stream is opened first, so that the others go by beside it") {
  auto streams = alike(4, 4e6, 10);
  streams.push_back({"long", 4e6, {0}, 20});
  const auto plan = plan_streams(streams, {12e6}, 64);
  CHECK(plan.order.front().subject == "long");
  CHECK(plan.streams_s == 20);
}

TEST_CASE("no more streams are open than may be at once, and that is the cause") {
  const auto plan = plan_streams(alike(10, 1e6), {70e6}, 4);
  CHECK(plan.most_at_once == 4);
  CHECK(plan.streams_s == 36);
  CHECK(plan.bound.cause == LengthBound::Cause::most_at_once);
}

TEST_CASE("streams of which no two are open together on whichever link make a chain") {
  // Each two of three share a link that bears one of them.
  const std::vector<PlannedStream> streams{{"a", 6e6, {0, 1}, 10}, {"b", 6e6, {1, 2}, 10}, {"c", 6e6, {0, 2}, 10}};
  const auto plan = plan_streams(streams, {10e6, 10e6, 10e6}, plenty);
  CHECK(plan.streams_s == 30);
  CHECK(plan.bound.cause == LengthBound::Cause::chain);
  CHECK(plan.bound.seconds == 30);
}

TEST_CASE("the bound is never longer than the shortest of all plans") {
  std::mt19937 random(3);
  double nearest = 0;
  for (int i = 0; i < 150; ++i) {
    std::vector<PlannedStream> streams;
    const std::vector<double> budgets{10e6, 10e6};
    for (int s = 0; s < 5; ++s) {
      PlannedStream one{"s", 1e6 * static_cast<double>(1 + random() % 10), {0}, static_cast<double>(1 + random() % 4)};
      if (random() % 2) one.links.push_back(1);
      if (random() % 4 == 0) one.links = {1};
      streams.push_back(one);
    }
    const double best = shortest(streams, budgets), bound = length_bound(streams, budgets, plenty).seconds;
    REQUIRE(bound <= best * (1 + 1e-9));
    nearest += bound / best / 150;
  }
  CHECK(nearest > 0.9);  // a bound that is always 0 would be none
}

TEST_CASE("on random sites no link is ever above its ceiling, and the plan is within 15 % of the bound") {
  double worst = 0;
  int waited = 0;
  for (unsigned seed = 0; seed < 250; ++seed) {
    const auto site = random_site(seed);
    const auto plan = plan_streams(site.streams, site.budgets_bps, plenty);
    INFO("seed " << seed << ", " << plan.order.size() << " streams, " << plan.streams_s << " s, bound " << plan.bound.seconds << " s");
    REQUIRE(plan.order.size() + plan.impossible.size() == site.streams.size());
    REQUIRE(fullest(plan.order, site.budgets_bps) <= 1 + 1e-6);  // a budget is millions of bit/s, and 1 bit/s is forgiven
    for (const auto& s : plan.impossible) REQUIRE(too_small_for(s, site.budgets_bps) < site.budgets_bps.size());
    if (plan.order.empty()) continue;
    worst = std::max(worst, plan.streams_s / plan.bound.seconds);
    waited += plan.waves > 1;
    CHECK(plan.streams_s <= 1.15 * plan.bound.seconds);
  }
  WARN("the farthest from its bound: " << worst << ", sites with more than one wave: " << waited);
  CHECK(waited > 100);
}
