// The busiest instant against published and enumerated values: never below the exact one, and how near to it.
#include "daemon/verdict/busiest.hpp"

#include <catch2/catch.hpp>

#include <cmath>
#include <random>

using namespace tallywire;
using namespace tallywire::verdict;

namespace {

std::vector<Crowd> alike(int n, double mean, double peak) { return {{LoadDistribution(Load{mean, peak}), n}}; }

// Shares in any order of rates; the whole-number windows that they are made of.
LoadDistribution random_load(std::mt19937& dice, int most_atoms) {
  std::uniform_int_distribution<int> atoms(1, most_atoms), windows(1, 50), octets(0, 100'000);
  std::vector<WindowCount> counts;
  std::uint64_t at = 0;
  for (int i = atoms(dice); i > 0; --i) {
    at += static_cast<std::uint64_t>(octets(dice)) + 1;
    counts.push_back({at, static_cast<std::uint64_t>(windows(dice))});
  }
  return LoadDistribution(counts, 40, 0);
}

// Every combination of every stream's atoms.
double exact_exceeded(const std::vector<Crowd>& crowds, double bps, std::size_t at = 0, double sum = 0, double share = 1) {
  if (at == crowds.size()) return sum > bps ? share : 0;
  double out = 0;
  for (const auto& atom : crowds[at].load.atoms()) out += exact_exceeded(crowds, bps, at + 1, sum + atom.bps, share * atom.share);
  return out;
}

}  // namespace

TEST_CASE("the convolution gives the exact rate of streams that are all alike, and the order of the bounds holds") {
  // Check-values section 17 (binomial tails by whole-number fractions; Hoeffding 1963, Theorem 2), Mbit/s.
  struct Row { int n; double mean, peak, risk, exact, chernoff, hoeffding; };
  const Row rows[] = {
      {10, 4, 12, 1e-2, 84, 96.054, 97.582},    {10, 4, 12, 1e-3, 96, 107.437, 110.524},  {10, 4, 12, 1e-6, 120, 120, 120},
      {40, 4, 12, 1e-2, 240, 272.554, 275.165}, {40, 4, 12, 1e-3, 276, 298.224, 301.047}, {40, 4, 12, 1e-6, 336, 355.214, 359.471},
      {40, 4, 8, 1e-3, 240, 251.213, 254.032},  {100, 4, 12, 1e-3, 576, 616.944, 623.015}, {100, 4, 12, 1e-6, 684, 708.671, 715.391},
  };
  for (const auto& row : rows) {
    CAPTURE(row.n, row.mean, row.peak, row.risk);
    const auto crowds = alike(row.n, row.mean, row.peak);
    const auto busiest = busiest_instant(crowds, row.risk);
    CHECK(busiest.by_convolution);
    CHECK(busiest.bps >= row.exact * (1 - 1e-12));
    CHECK(busiest.bps <= row.exact + busiest.rounding_bps + busiest.grid_step_bps);
    CHECK(busiest.rounding_bps < 0.005 * row.n * row.peak);
    CHECK(busiest.exceeded_ratio <= row.risk);
    CHECK(busiest.error_ratio < 1e-9 * row.risk);
    const double bound = bounded_bps(crowds, row.risk);
    CHECK(bound == Approx(row.chernoff).epsilon(2e-5));
    CHECK(row.n * row.mean <= busiest.bps);
    CHECK(busiest.bps <= bound);
    CHECK(bound <= row.hoeffding + 1e-3);
    CHECK(row.hoeffding == Approx(std::min(row.n * row.peak, row.n * row.mean + row.peak * std::sqrt(row.n * std::log(1 / row.risk) / 2))).epsilon(1e-5));
  }
}

TEST_CASE("binomial tails come out exactly") {
  // Check-values section 17, "Binomial tails", whole-number fractions.
  struct Row { int n; double p; int k; double tail; };
  const Row rows[] = {
      {10, 0.5, 5, 0.623046875}, {10, 0.5, 8, 0.0546875}, {10, 0.5, 10, 0.0009765625},
      {20, 0.1, 2, 0.6082530018748}, {20, 0.1, 5, 0.04317449528446}, {20, 0.1, 8, 0.0004156350188455},
      {40, 1.0 / 3, 14, 0.4702788925704}, {40, 1.0 / 3, 20, 0.02144073352979}, {40, 1.0 / 3, 24, 4.889611931997e-4},
      {40, 1.0 / 3, 28, 2.356428429373e-6}, {40, 1.0 / 3, 30, 8.474878033113e-8},
      {40, 0.05, 1, 0.8714878434349}, {40, 0.05, 2, 0.6009359348768}, {40, 0.05, 5, 0.04802826025422},
      {40, 0.05, 6, 0.01387694921330}, {40, 0.05, 8, 7.115084380676e-4},
      {40, 0.1, 4, 0.5768693469070}, {40, 0.1, 8, 0.04190194267336}, {40, 0.1, 12, 3.808342667363e-4},
      {100, 0.2, 20, 0.5398386299354}, {100, 0.2, 30, 0.01124897872099}, {100, 0.2, 35, 3.360871616362e-4},
  };
  for (const auto& row : rows) {
    CAPTURE(row.n, row.p, row.k);
    const auto crowds = alike(row.n, row.p, 1);
    // A tail that is above what the bound of 1 can tell is looked up between two whole numbers too.
    const double tail = convolved_exceeded_ratio(crowds, row.k - 0.5);
    CHECK(tail == Approx(row.tail).epsilon(1e-8));  // what is above the top of the grid counts: 1e-10 of the bound
    CHECK(tail >= row.tail * (1 - 1e-12));
    CHECK(bounded_exceeded_ratio(crowds, row.k - 1e-9) >= row.tail);
  }
}

TEST_CASE("tails far below what a plain transform in doubles could tell from noise keep their precision") {
  // All n at once: p^n, by definition.
  for (const auto& [n, p] : {std::pair{40, 1.0 / 3}, std::pair{100, 0.2}, std::pair{30, 0.01}}) {
    const double tail = convolved_exceeded_ratio(alike(n, p, 1), n - 0.5);
    CHECK(std::log(tail) == Approx(n * std::log(p)).epsilon(1e-6));
    CHECK(tail >= std::pow(p, n) * (1 - 1e-9));
  }
}

TEST_CASE("40 streams of 4 Mbit/s that peak at 12 exceed a link of 240 as often as is published") {
  // Check-values section 17: 0.0214407 exactly, at most 0.0948309 by Chernoff. The published tail counts 240 itself.
  const auto crowds = alike(40, 4, 12);
  CHECK(convolved_exceeded_ratio(crowds, 240 - 6) == Approx(0.0214407).epsilon(1e-5));
  CHECK(bounded_exceeded_ratio(crowds, 240) == Approx(0.0948309).epsilon(1e-5));
}

TEST_CASE("for any few streams the convolution is never below the sum of all combinations, and above by its rounding alone") {
  std::mt19937 dice(20'261);
  for (int round = 0; round < 150; ++round) {
    std::vector<Crowd> crowds;
    for (int n = 2 + round % 4; n > 0; --n) crowds.push_back({random_load(dice, 6), 1});
    const auto sums = sums_of(crowds);
    CAPTURE(round, crowds.size());
    for (const double risk : {0.3, 1e-2, 1e-4, 1e-7}) {
      const auto busiest = busiest_instant(crowds, risk);
      CHECK(busiest.bps >= sums.mean_bps * (1 - 1e-12));
      CHECK(busiest.bps <= sums.peaks_bps * (1 + 1e-12));
      const double there = exact_exceeded(crowds, busiest.bps);
      CHECK(there <= risk * (1 + 1e-9));
      CHECK(there <= busiest.exceeded_ratio * (1 + 1e-9));
      const double below = busiest.bps - busiest.rounding_bps - 2 * busiest.grid_step_bps;
      if (busiest.by_convolution && below > sums.mean_bps) CHECK(exact_exceeded(crowds, below) > risk * (1 - 1e-5));
    }
    for (const double share : {0.1, 0.4, 0.7, 0.95}) {
      const double rate = sums.mean_bps + share * (sums.peaks_bps - sums.mean_bps), exact = exact_exceeded(crowds, rate);
      CHECK(convolved_exceeded_ratio(crowds, rate) >= exact * (1 - 1e-9));
      CHECK(bounded_exceeded_ratio(crowds, rate) >= exact * (1 - 1e-9));
    }
  }
}

TEST_CASE("for any many streams: mean, convolution, bound, peaks, in this order") {
  std::mt19937 dice(7);
  for (int round = 0; round < 40; ++round) {
    std::vector<Crowd> crowds;
    for (int n = 5 + 3 * round; n > 0; --n) crowds.push_back({random_load(dice, 40), 1});
    const auto sums = sums_of(crowds);
    for (const double risk : {1e-2, 1e-6, 1e-12}) {
      CAPTURE(round, risk);
      const auto busiest = busiest_instant(crowds, risk);
      CHECK(sums.mean_bps <= busiest.bps);
      CHECK(busiest.bps <= bounded_bps(crowds, risk) * (1 + 1e-12));
      CHECK(busiest.bps <= sums.peaks_bps);
      CHECK(busiest.exceeded_ratio <= risk);
      CHECK(busiest.by_convolution);
      CHECK(busiest_instant(crowds, risk * 10).bps <= busiest.bps);
    }
  }
}

TEST_CASE("one heavy stream among light ones, one that never varies, one that sends nothing") {
  std::vector<Crowd> crowds = alike(30, 1e6, 3e6);
  crowds.push_back({LoadDistribution(Load{8e3, 80e6}), 1});  // seldom, and above all that the others bring
  const auto busiest = busiest_instant(crowds, 1e-3);
  CHECK(busiest.bps <= 170e6);
  CHECK(exact_exceeded({{LoadDistribution(Load{8e3, 80e6}), 1}}, 79e6) == Approx(1e-4));
  CHECK(busiest_instant(crowds, 1e-5).bps > 80e6);
  CHECK(busiest_instant(alike(5, 4e6, 4e6), 1e-6).bps == Approx(20e6));
  CHECK(busiest_instant({}, 1e-6).bps == 0);
  CHECK(busiest_instant(alike(3, 0, 0), 1e-6).bps == 0);
}

TEST_CASE("a crowd is as many streams as it says") {
  std::mt19937 dice(3);
  const auto load = random_load(dice, 20), other = random_load(dice, 20);
  std::vector<Crowd> apart{{other, 1}};
  for (int i = 0; i < 17; ++i) apart.push_back({load, 1});
  const std::vector<Crowd> together{{other, 1}, {load, 17}};
  CHECK(busiest_instant(apart, 1e-6).bps == Approx(busiest_instant(together, 1e-6).bps).epsilon(1e-9));
}

TEST_CASE("a distribution whose windows caught too few key frames is brought up to the mean over whole GOPs") {
  const std::vector<WindowCount> windows{{10'000, 98}, {100'000, 2}};
  const LoadDistribution seen(windows, 40, 0), raised(windows, 40, 2'600'000), beyond(windows, 40, 30e6);
  CHECK(seen.mean_bps() == Approx(2'360'000));
  CHECK(raised.mean_bps() == Approx(2'600'000));
  CHECK(raised.peak_bps() == Approx(20e6));
  CHECK(beyond.mean_bps() == Approx(30e6));
  CHECK(beyond.peak_bps() == Approx(30e6));
}
