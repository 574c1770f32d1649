#include "probes/stream/clock_envelope.hpp"

#include <catch2/catch.hpp>

#include <random>

using namespace tallywire::stream;

namespace {

// 25 frames/s for so many seconds by a clock that is off by `ppm`; each is delayed as `delay_ns(i)` says.
template <class Delay>
ClockEnvelope frames(double seconds, double ppm, Delay delay_ns) {
  ClockEnvelope out;
  for (std::int64_t i = 0; i < static_cast<std::int64_t>(seconds * 25); ++i) {
    const std::int64_t told = i * 40'000'000;
    const auto sent = static_cast<std::int64_t>(static_cast<double>(told) / (1 + ppm / 1e6));
    out.add(1'000'000'000 + sent + delay_ns(i), told, i);
  }
  return out;
}

constexpr double tick_ns = 2e9 / 90000;

}  // namespace

// The truth of each case is what the events were made with: no published table, the rule of the half width is Sen's.
TEST_CASE("a clock that is off shows through delays that only ever add") {
  std::mt19937 random(7);
  std::exponential_distribution<double> queue(1 / 3e6);  // 3 ms on average
  const auto delay = [&](std::int64_t) { return static_cast<std::int64_t>(queue(random)); };
  for (const double ppm : {0.0, 40.0, -80.0, 300.0}) {
    const auto estimate = frames(60, ppm, delay).estimate(tick_ns);
    REQUIRE(estimate);
    CAPTURE(ppm, estimate->ppm, estimate->ppm_half_width);
    CHECK(std::abs(estimate->ppm - ppm) <= estimate->ppm_half_width);
    CHECK(estimate->ppm_half_width < 30);
    CHECK(estimate->event_rate_hz == Approx(25 * (1 + ppm / 1e6)).epsilon(2e-5));
  }
}

TEST_CASE("the half width covers the truth in 95 of 100 runs or so") {
  std::mt19937 random(11);
  std::exponential_distribution<double> queue(1 / 2e6);
  int covered = 0;
  for (int run = 0; run < 200; ++run) {
    const auto estimate =
        frames(15, 50, [&](std::int64_t) { return static_cast<std::int64_t>(queue(random)); }).estimate(tick_ns);
    REQUIRE(estimate);
    covered += std::abs(estimate->ppm - 50) <= estimate->ppm_half_width;
  }
  CHECK(covered >= 185);
}

TEST_CASE("a burst at the start bends neither the clock nor the rate") {
  // A server sends what it holds at once: the first 2 s of frames come within a moment.
  const auto estimate =
      frames(30, 0, [](std::int64_t i) { return i < 50 ? (50 - i) * 39'000'000 : 0; }).estimate(tick_ns);
  REQUIRE(estimate);
  CHECK(std::abs(estimate->ppm) < 1);
  CHECK(estimate->event_rate_hz == Approx(25).epsilon(1e-6));
}

TEST_CASE("frames that come more slowly than they are stamped show as a slow clock, and as the rate that comes") {
  // 25 frames/s by the stamps, 20 by the arrivals: 0.8 of our clock, -200 000 ppm.
  ClockEnvelope envelope;
  for (std::int64_t i = 0; i < 400; ++i) envelope.add(i * 50'000'000, i * 40'000'000, i);
  const auto estimate = envelope.estimate(tick_ns);
  REQUIRE(estimate);
  CHECK(estimate->ppm == Approx(-200'000).margin(20));
  CHECK(estimate->event_rate_hz == Approx(20).epsilon(1e-6));
}

TEST_CASE("too short a run tells nothing, a long one stays within the memory") {
  CHECK_FALSE(frames(1.5, 0, [](std::int64_t) { return 0; }).estimate(tick_ns));
  const auto day = frames(86'400, 20, [](std::int64_t) { return 0; }).estimate(tick_ns);
  REQUIRE(day);
  CHECK(day->ppm == Approx(20).epsilon(1e-3));
}
