#include "probes/stream/rate_windows.hpp"

#include <catch2/catch.hpp>

#include <algorithm>
#include <numeric>
#include <vector>

using namespace tallywire::stream;

TEST_CASE("the busiest 40 ms of a key frame stream is 8.33 times its mean") {
  // 25 frames/s, I of 60 000 octets and 24 P of 5000, each within one frame time; check-values section 2: a mean of
  // 1 440 000 bit/s and 12 000 000 bit/s in 40 ms (computed).
  RateWindows windows;
  for (int frame = 0; frame < 250; ++frame)
    for (int packet = 0; packet < 10; ++packet)
      windows.add(std::int64_t{frame} * 40'000'000 + packet * 1'000'000, frame % 25 == 0 ? 6000 : 500);
  CHECK(windows.peak_bps(40) == Approx(12'000'000));
  CHECK(windows.peak_bps(1000) == Approx(1'440'000));
  const auto& counts = windows.histogram(3).counts();
  CHECK(std::accumulate(counts.begin(), counts.end(), 0u) == 9);  // whole seconds that have ended
}

TEST_CASE("after a long silence nothing of the past is in any window") {
  RateWindows windows;
  windows.add(0, 1000);
  windows.add(60'000'000'000, 100);
  CHECK(windows.peak_bps(1000) == Approx(8000));
  windows.add(60'500'000'000, 100);
  CHECK(windows.peak_bps(1000) == Approx(8000));
}

TEST_CASE("a silence counts as empty windows, a broken session does not") {
  RateWindows silent, broken;
  for (auto* windows : {&silent, &broken}) windows->add(0, 1000);
  broken.interrupt();
  for (auto* windows : {&silent, &broken}) {
    windows->add(60'000'000'000, 1000);
    windows->add(62'000'000'000, 1000);
  }
  // 62 whole seconds have ended, 2 of them with a packet, counted by hand; beside the gap 2, one with a packet.
  CHECK(silent.histogram(3).counts()[0] == 60);
  CHECK(silent.histogram(3).counts()[RateHistogram::class_of(1000)] == 2);
  CHECK(broken.histogram(3).counts()[0] == 1);
  CHECK(broken.histogram(3).counts()[RateHistogram::class_of(1000)] == 1);
  CHECK(broken.peak_bps(10) == Approx(800'000));
}

TEST_CASE("the peak of a sliding window is that of the busiest run of slots") {
  // Against a plain sum over every run of w slots.
  std::vector<std::uint32_t> octets;
  std::uint32_t state = 1;
  RateWindows windows;
  for (int slot = 0; slot < 5000; ++slot) {
    state = state * 1'664'525u + 1'013'904'223u;
    octets.push_back(state >> 29 == 0 ? state >> 20 : 0);
    if (octets.back() > 0) windows.add(slot * 1'000'000LL, octets.back());
  }
  for (const int width : RateWindows::windows_ms) {
    std::uint64_t peak = 0;
    for (int begin = 0; begin < 5000; ++begin)
      peak = std::max<std::uint64_t>(
          peak, std::accumulate(octets.begin() + begin, octets.begin() + std::min(begin + width, 5000), 0ull));
    CHECK(windows.peak_bps(width) == static_cast<double>(peak) * 8000 / width);
  }
}

TEST_CASE("a class of the histogram holds a value to 1/16 of an octave") {
  for (const std::uint64_t value : {std::uint64_t{64}, std::uint64_t{67}, std::uint64_t{68}, std::uint64_t{1000}, std::uint64_t{123'456}, std::uint64_t{50'000'000}}) {
    const auto index = RateHistogram::class_of(value);
    CHECK(RateHistogram::edge_of(index) <= static_cast<double>(value) * (1 + 1e-12));
    CHECK(static_cast<double>(value) < RateHistogram::edge_of(index) * (1 + 1.0 / 16) * (1 + 1e-12));
  }
  // The ends: nothing, less than 64 octets, more than 64 MiB.
  CHECK(RateHistogram::class_of(0) == 0);
  CHECK(RateHistogram::class_of(63) == 1);
  CHECK(RateHistogram::class_of(std::uint64_t{1} << 40) == RateHistogram::classes - 1);
}

TEST_CASE("windows of 100 ms begin every 10 ms, and those over a break are none") {
  // Against a plain sum over every ten steps of 10 ms, in order from the first packet.
  std::uint32_t state = 9;
  RateWindows windows;
  std::vector<std::uint32_t> counts(RateHistogram::classes, 0);
  const auto run = [&](std::int64_t begin_ms, int steps) {
    std::vector<std::uint64_t> sums;
    for (int step = 0; step < steps; ++step) {
      sums.push_back(0);
      for (int ms = 0; ms < 10; ++ms) {
        state = state * 1'664'525u + 1'013'904'223u;
        // The first and the last millisecond of a run hold something; long silences are among the steps.
        const bool something = (step == 0 && ms == 0) || (step + 1 == steps && ms == 9) || (step / 50 % 2 == 0 && state >> 30 == 0);
        if (!something) continue;
        windows.add((begin_ms + step * 10 + ms) * 1'000'000, 1 + (state >> 20));
        sums.back() += 1 + (state >> 20);
      }
    }
    for (auto begin = sums.begin(); sums.end() - begin >= 10; ++begin) ++counts[RateHistogram::class_of(std::accumulate(begin, begin + 10, std::uint64_t{0}))];
  };
  run(3, 500);
  windows.interrupt();
  run(90'000'007, 333);
  windows.interrupt();
  run(200'000'001, 9);  // too short for one
  windows.interrupt();
  CHECK(std::equal(counts.begin(), counts.end(), windows.histogram(RateWindows::overlapping).counts().begin()));
}
