// A clock against another, through delays that vary: of each stretch of time only the least delayed event is kept, and
// a line is laid through these by the median of all slopes (Theil and Sen), which a quarter of bad points cannot bend.
// Its half width is Sen's 95 % interval (P. K. Sen, Journal of the American Statistical Association 63, 1968, from
// memory), with the resolution of the clocks added. Constant memory; no I/O; one thread at a time.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>

namespace tallywire::stream {

struct ClockEstimate {
  double ppm = 0;             // the told clock against ours; positive: it is fast
  double ppm_half_width = 0;
  double span_s = 0;          // of our clock
  // Events by our clock, between two of the least delayed ones.
  double event_rate_hz = 0;
  double event_rate_half_width_hz = 0;
};

class ClockEnvelope {
 public:
  // An event that the other clock stamps `told_ns` and that was seen `at_ns` by ours; `index` counts events. `at_ns`
  // must not go back by more than a bin.
  void add(std::int64_t at_ns, std::int64_t told_ns, std::int64_t index);
  // None when fewer than `least_points` bins hold an event: too short or too rare.
  std::optional<ClockEstimate> estimate(double resolution_ns) const;
  double span_s() const;
  void restart() { *this = {}; }

  // Fetches what every add() touches; which point that is only the rest can tell.
  void prefetch() const { __builtin_prefetch(this, 1); }

  static constexpr std::size_t least_points = 8;

 private:
  static constexpr std::size_t bins = 30;
  static constexpr std::int64_t first_width_ns = 250'000'000;  // doubles whenever the bins are full
  struct Point {
    std::int64_t at_ns = 0;     // after the first event
    std::int64_t delay_ns = 0;  // against the first event
    std::int64_t index = -1;    // -1: empty
  };

  void halve();

  bool any_ = false;
  std::int64_t first_at_ns_ = 0;
  std::int64_t first_told_ns_ = 0;
  std::int64_t width_ns_ = first_width_ns;
  std::array<Point, bins> points_{};
};

}  // namespace tallywire::stream
