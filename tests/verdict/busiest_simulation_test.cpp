// The busiest instant against a simulation: streams shaped as cameras shape them, a key frame each GOP and not windows that are
// drawn one by one, at phases drawn at random. A fixed seed; intervals by Clopper and Pearson (1934), as Boost.Math has them,
// each side to 1e-6: a right program fails one run in some hundred thousand, and with a fixed seed none.
#include "daemon/verdict/busiest.hpp"
#include "probes/stream/rate_windows.hpp"
#include "probes/stream/report.hpp"

#include <boost/math/distributions/binomial.hpp>
#include <catch2/catch.hpp>

#include <algorithm>
#include <map>
#include <numeric>
#include <random>

using namespace tallywire;
using namespace tallywire::verdict;

namespace {

constexpr double one_side = 1e-6;

struct Interval {
  double low, high;
};

Interval interval_of(int hits, int trials) {
  using Binomial = boost::math::binomial_distribution<double>;
  return {hits == 0 ? 0 : Binomial::find_lower_bound_on_p(trials, hits, one_side),
          hits == trials ? 1 : Binomial::find_upper_bound_on_p(trials, hits, one_side)};
}

// Octets of each millisecond of one GOP: a key frame over some milliseconds, the others over fewer, 25 frames/s.
struct Shape {
  std::vector<std::uint32_t> octets;

  Shape(std::mt19937& dice, int gop_frames) : octets(static_cast<std::size_t>(gop_frames) * 40) {
    std::uniform_int_distribution<std::uint32_t> size(8'000, 24'000), times(5, 12);  // check-values section 18: 5 to 20 times
    std::uniform_int_distribution<int> spread(2, 12);
    const auto usual = size(dice);
    for (int frame = 0; frame < gop_frames; ++frame) {
      const auto all = frame == 0 ? usual * times(dice) : usual * static_cast<std::uint32_t>(80 + dice() % 40) / 100;
      const auto over = static_cast<std::uint32_t>(frame == 0 ? spread(dice) + 8 : spread(dice) / 2 + 1);
      for (std::uint32_t ms = 0; ms < over; ++ms) octets[static_cast<std::size_t>(frame) * 40 + ms] = all / over;
    }
  }
  std::size_t period_ms() const { return octets.size(); }
  // Octets of the 100 ms that begin at each millisecond.
  std::vector<std::uint64_t> windows() const {
    std::vector<std::uint64_t> out(octets.size());
    for (std::size_t begin = 0; begin < out.size(); ++begin)
      for (std::size_t i = 0; i < 100; ++i) out[begin] += octets[(begin + i) % octets.size()];
    return out;
  }
  double mean_bps() const { return std::accumulate(octets.begin(), octets.end(), 0.0) * 8000 / static_cast<double>(octets.size()); }
};

std::vector<Shape> shapes(int n) {
  std::mt19937 dice(1'709);
  std::vector<Shape> out;
  for (int i = 0; i < n; ++i) out.emplace_back(dice, i % 3 == 0 ? 50 : 25);
  return out;
}

LoadDistribution exactly(const Shape& shape) {
  std::map<std::uint64_t, std::uint64_t> counts;
  for (const auto octets : shape.windows()) ++counts[octets];
  std::vector<WindowCount> windows;
  for (const auto& [octets, count] : counts) windows.push_back({octets, count});
  return LoadDistribution(windows, 100, 0);
}

// What the meter makes of ten seconds of it, through the reading that a round keeps.
LoadDistribution as_metered(const Shape& shape, std::size_t begin_ms) {
  stream::RateWindows meter;
  for (std::size_t ms = 0; ms < 10'000; ++ms)
    if (const auto octets = shape.octets[(begin_ms + ms) % shape.period_ms()]; octets > 0) meter.add(static_cast<std::int64_t>(ms) * 1'000'000, octets);
  stream::StreamReport report;
  report.payload_bps = report.wire_bps = shape.mean_bps();
  report.windows = {{100, {}, meter.peak_bps(100) / 80}};
  meter.histogram(2).each_used([&](double edge, std::uint32_t count) { report.windows[0].counts.emplace_back(edge, count); });
  for (const auto& reading : stream::to_readings(report, "camera/a/head/1/stream/main"))
    if (reading.quantity == wire_windows_quantity) {
      const auto windows = decode_windows(reading.word().value());
      return LoadDistribution(windows.value(), wire_window_ms, shape.mean_bps());
    }
  throw std::logic_error("no such reading");
}

// Sums of one window of each stream, each at a phase of its own.
std::vector<double> simulated(const std::vector<Shape>& streams, int trials) {
  std::vector<std::vector<std::uint64_t>> windows;
  for (const auto& stream : streams) windows.push_back(stream.windows());
  std::mt19937_64 dice(411);
  std::vector<double> out;
  for (int trial = 0; trial < trials; ++trial) {
    std::uint64_t sum = 0;
    for (const auto& of_stream : windows) sum += of_stream[std::uniform_int_distribution<std::size_t>(0, of_stream.size() - 1)(dice)];
    out.push_back(static_cast<double>(sum) * 80);
  }
  return out;
}

int above(const std::vector<double>& sums, double bps) {
  return static_cast<int>(std::count_if(sums.begin(), sums.end(), [bps](double sum) { return sum > bps; }));
}

constexpr int trials = 400'000;

}  // namespace

TEST_CASE("the simulation itself puts phases as the published formula says") {
  // Check-values section 17: key frames at random phases on a circle of T, no two within w: (1 - N w / T)^(N - 1).
  struct Row { int n; double w_ms, period_ms, none; };
  std::mt19937_64 dice(99);
  for (const auto& row : {Row{8, 40, 2000, 0.295090}, Row{10, 100, 2000, 0.001953125}, Row{10, 200, 2000, 0}}) {
    int apart = 0;
    for (int trial = 0; trial < trials; ++trial) {
      std::vector<double> at(static_cast<std::size_t>(row.n));
      for (auto& phase : at) phase = std::uniform_real_distribution<double>(0, row.period_ms)(dice);
      std::sort(at.begin(), at.end());
      bool close = at.front() + row.period_ms - at.back() < row.w_ms;
      for (std::size_t i = 1; i < at.size(); ++i) close = close || at[i] - at[i - 1] < row.w_ms;
      apart += !close;
    }
    const auto interval = interval_of(apart, trials);
    CHECK(interval.low <= row.none);
    CHECK(row.none <= interval.high);
  }
}

TEST_CASE("as often as is computed, simulated streams at random phases exceed a rate") {
  for (const int n : {6, 24}) {
    const auto streams = shapes(n);
    std::vector<Crowd> crowds;
    for (const auto& stream : streams) crowds.push_back({exactly(stream), 1});
    const auto sums = simulated(streams, trials);
    for (const double risk : {0.2, 1e-2, 1e-3, 1e-4}) {
      const auto busiest = busiest_instant(crowds, risk);
      CAPTURE(n, risk, busiest.bps, busiest.exceeded_ratio, above(sums, busiest.bps));
      REQUIRE(busiest.by_convolution);
      // The computed probability is that of loads rounded up: between that of this rate and that of one lower by the rounding.
      CHECK(interval_of(above(sums, busiest.bps), trials).low <= busiest.exceeded_ratio);
      CHECK(busiest.exceeded_ratio <= interval_of(above(sums, busiest.bps - busiest.rounding_bps - busiest.grid_step_bps), trials).high);
    }
  }
}

TEST_CASE("from what the meter has counted, the rate is not below the simulated one, and not far above it") {
  const auto streams = shapes(24);
  std::vector<Crowd> metered, exact;
  std::mt19937 dice(5);
  for (const auto& stream : streams) {
    metered.push_back({as_metered(stream, dice() % stream.period_ms()), 1});
    exact.push_back({exactly(stream), 1});
  }
  const auto sums = simulated(streams, trials);
  for (const double risk : {0.2, 1e-2, 1e-3, 1e-4, 1e-6}) {
    const auto busiest = busiest_instant(metered, risk);
    CAPTURE(risk, busiest.bps);
    CHECK(interval_of(above(sums, busiest.bps), trials).low <= risk);
    // Classes are 1/16 of an octave wide, each window is taken for the most that its class holds.
    CHECK(busiest.bps <= busiest_instant(exact, risk).bps * (1 + 1.0 / 16) * 1.01);
  }
}
