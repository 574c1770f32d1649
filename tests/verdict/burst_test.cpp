// What waits before an uplink when all key frames start together: by hand, and against the same in small steps of time.
#include "daemon/verdict/burst.hpp"

#include <catch2/catch.hpp>

#include <random>

using namespace tallywire::verdict;

namespace {

BurstFlow flow(double octets, std::size_t unit, double unit_bps, std::vector<std::size_t> way) { return {octets, unit, unit_bps, std::move(way)}; }

// Units that feed switches in a row, in steps of `step_s`; the greatest queue before each link. Each unit has one flow, which
// enters at link `unit % links` and goes on to the last.
std::vector<double> by_steps(const std::vector<BurstFlow>& flows, const std::vector<double>& link_bps, double step_s) {
  std::vector<double> left, queue(link_bps.size()), most(link_bps.size());
  for (const auto& f : flows) left.push_back(f.octets);
  for (bool busy = true; busy;) {
    busy = false;
    std::vector<double> in(link_bps.size());
    for (std::size_t i = 0; i < flows.size(); ++i) {
      const double sent = std::min(left[i], flows[i].unit_link_bps / 8 * step_s);
      left[i] -= sent;
      in[flows[i].way.front()] += sent;
      busy = busy || left[i] > 0;
    }
    for (std::size_t link = 0; link < link_bps.size(); ++link) {
      queue[link] += in[link];
      const double out = std::min(queue[link], link_bps[link] / 8 * step_s);
      queue[link] -= out;
      if (link + 1 < link_bps.size()) in[link + 1] += out;
      most[link] = std::max(most[link], queue[link]);
      busy = busy || queue[link] > 1e-6;
    }
  }
  return most;
}

}  // namespace

TEST_CASE("two units at 100 Mbit/s fill an uplink of 100 Mbit/s twice") {
  // By hand: 8 ms bring 200 000 octets, 100 000 drain meanwhile.
  const std::vector<BurstFlow> flows{flow(100'000, 0, 100e6, {0}), flow(100'000, 1, 100e6, {0})};
  const std::vector<double> speed{100e6};
  CHECK(most_waiting_octets(flows, 0, speed) == Approx(100'000));
}

TEST_CASE("twenty units at 100 Mbit/s before an uplink of 1 Gbit/s") {
  // By hand: 10 ms bring 2 500 000 octets, 1 250 000 drain.
  std::vector<BurstFlow> flows;
  for (std::size_t unit = 0; unit < 20; ++unit) flows.push_back(flow(125'000, unit, 100e6, {0}));
  const std::vector<double> speed{1e9};
  CHECK(most_waiting_octets(flows, 0, speed) == Approx(1'250'000));
  flows.resize(10);  // as fast as the uplink: nothing waits
  CHECK(most_waiting_octets(flows, 0, speed) == Approx(0).margin(1e-6));
}

TEST_CASE("heads of one unit share its link, and a slow uplink before this one holds back") {
  // Three heads of one unit: one link of 100 Mbit/s never fills another of the same speed.
  const std::vector<BurstFlow> heads{flow(90'000, 0, 100e6, {0}), flow(50'000, 0, 100e6, {0}), flow(10'000, 0, 100e6, {0})};
  const std::vector<double> speed{100e6, 100e6};
  CHECK(most_waiting_octets(heads, 0, speed) == Approx(0).margin(1e-6));
  // What two units send waits before the first uplink; behind it comes no more than the second takes.
  const std::vector<BurstFlow> chained{flow(100'000, 0, 100e6, {0, 1}), flow(100'000, 1, 100e6, {0, 1})};
  CHECK(most_waiting_octets(chained, 0, speed) == Approx(100'000));
  CHECK(most_waiting_octets(chained, 1, speed) == Approx(0).margin(1e-6));
  CHECK(most_waiting_octets(chained, 7, std::vector<double>(8, 1e9)) == 0);  // nobody crosses it
}

TEST_CASE("any units over any row of switches wait as much as in steps of time") {
  std::mt19937 dice(12);
  for (int round = 0; round < 60; ++round) {
    std::vector<double> link_bps;
    for (int i = 0; i < 1 + round % 3; ++i) link_bps.push_back(std::vector<double>{100e6, 300e6, 1000e6}[dice() % 3]);
    std::vector<BurstFlow> flows;
    const std::size_t units = 2 + dice() % 12;
    for (std::size_t unit = 0; unit < units; ++unit) {
      std::vector<std::size_t> way;
      for (std::size_t link = dice() % link_bps.size(); link < link_bps.size(); ++link) way.push_back(link);
      flows.push_back(flow(10'000.0 + static_cast<double>(dice() % 200'000), unit, dice() % 4 == 0 ? 1000e6 : 100e6, std::move(way)));
    }
    constexpr double step_s = 2e-6;
    const auto stepped = by_steps(flows, link_bps, step_s);
    for (std::size_t link = 0; link < link_bps.size(); ++link) {
      CAPTURE(round, link);
      // One step of all that comes in is what the steps can be wrong by, for each link on the way.
      const double margin = step_s / 8 * 13 * 1000e6 * 3;
      CHECK(most_waiting_octets(flows, link, link_bps) == Approx(stepped[link]).margin(margin));
    }
  }
}
