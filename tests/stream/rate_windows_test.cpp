#include "probes/stream/rate_windows.hpp"

#include <catch2/catch.hpp>

#include <numeric>

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

TEST_CASE("a class of the histogram holds a value to 1/16 of an octave") {
  for (const std::uint64_t value : {std::uint64_t{1}, std::uint64_t{15}, std::uint64_t{16}, std::uint64_t{1000}, std::uint64_t{123'456}, std::uint64_t{1'000'000'000}}) {
    const auto index = RateHistogram::class_of(value);
    CHECK(RateHistogram::edge_of(index) <= static_cast<double>(value) * (1 + 1e-12));
    CHECK(static_cast<double>(value) < RateHistogram::edge_of(index) * (1 + 1.0 / 16) * (1 + 1e-12));
  }
}
