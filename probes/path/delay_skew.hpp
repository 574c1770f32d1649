// How one clock runs against another, through a path that delays. Pure.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

namespace tallywire::path {

struct Crossing {
  std::int64_t sent_ns = 0;       // by our clock
  std::int64_t received_ns = 0;   // by theirs
  std::int64_t sent_back_ns = 0;  // by theirs
  std::int64_t came_back_ns = 0;  // by ours

  std::int64_t out_ns() const { return received_ns - sent_ns; }      // with the difference of the clocks in it
  std::int64_t back_ns() const { return came_back_ns - sent_back_ns; }
  std::int64_t round_trip_ns() const { return came_back_ns - sent_ns - (sent_back_ns - received_ns); }
};

struct Skew {
  double ppm = 0;         // positive: their clock is fast
  double half_width = 0;  // ppm
};

// By a line under the least delays of each way; both must agree within their widths, since a path that grows slower bends one
// of them. None when they do not, when the crossings span too short a time (about 2 s), and when the line is known to no
// better than 100 ppm.
std::optional<Skew> skew_of(const std::vector<Crossing>& crossings);

// Whether one difference of the clocks fits all crossings once the skew is taken out: a packet cannot arrive before it was
// sent, nor come back before it was reflected. False when a clock was set in between. `tolerance_ns` for what the skew leaves.
bool clocks_hold(const std::vector<Crossing>& crossings, double skew_ppm, double tolerance_ns);

}  // namespace tallywire::path
