// What a switch's buffer must swallow when all key frames start at the same moment: the fluid model. Each unit sends its key
// frames at the speed of its own link until they are out; each uplink before this one passes on at most its speed; what comes
// in faster than this uplink drains piles up before it. Pure functions.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

namespace tallywire::verdict {

// Octets that have come by a time. Piecewise linear from nothing, never steeper than before, level behind the last point.
class Arrival {
 public:
  struct Point {
    double s = 0;
    double octets = 0;
  };
  Arrival() = default;
  // So many octets at this speed, which is above 0.
  Arrival(double octets, double bps);
  static Arrival sum_of(std::span<const Arrival> parts);
  // What has passed a link of this speed that nothing else crosses.
  Arrival limited_to(double bps) const;
  // The most that ever waits before a link of this speed.
  double most_waiting_octets(double bps) const;
  double octets_at(double s) const;
  const std::vector<Point>& points() const { return points_; }

 private:
  std::vector<Point> points_;  // ascending in both; the first is not at 0
};

// The key frames of one stream, from its unit to where it ends.
struct BurstFlow {
  double octets = 0;
  std::size_t unit = 0;              // streams of one unit share its link
  double unit_link_bps = 0;
  std::vector<std::size_t> way;      // directed links, in order
};

// Before the directed link `link`; `link_bps` of each directed link. Of the streams that go by other ways on links before this
// one nothing is known to hold these back: they are left out, so it is never too little.
double most_waiting_octets(std::span<const BurstFlow> flows, std::size_t link, std::span<const double> link_bps);

}  // namespace tallywire::verdict
