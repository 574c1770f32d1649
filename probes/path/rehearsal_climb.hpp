// Which load comes next: up in steps until something is lost, then by halves to where loss begins. Pure.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

namespace tallywire::path {

struct ClimbRules {
  double most_scale = 1;          // of the load asked for; 0.01 to 10
  double resolution_ratio = 0.05; // how near the load at which loss begins is to be found
  // False: the first loss ends it. Where a path carries live work, loss is not sought again and again.
  bool refine = true;
};

class Climb {
 public:
  explicit Climb(ClimbRules rules);

  // The scale to try; none when the climb is over.
  std::optional<double> next() const;
  void take(double scale, bool lost);

  std::optional<double> carried_scale() const { return carried_; }  // the highest below all that lost
  std::optional<double> lost_scale() const { return lost_; }        // the lowest that lost
  // At most so many steps more, but for a path that loses at the first of them.
  std::size_t most_steps_left() const;

 private:
  static constexpr double least_scale = 0.02;  // lost even here: it is not the load

  ClimbRules rules_;
  std::vector<double> scales_;
  std::optional<double> carried_, lost_;
};

}  // namespace tallywire::path
