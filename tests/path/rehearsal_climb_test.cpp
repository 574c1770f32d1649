// The climb, against paths whose limit is known.
#include "probes/path/rehearsal_climb.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::path;

namespace {

struct Done {
  Climb climb;
  std::size_t steps = 0;
  double first = 0;
};

Done climb_over(double limit, ClimbRules rules) {
  Done out{Climb(rules), 0, 0};
  const auto most = out.climb.most_steps_left();
  while (const auto scale = out.climb.next()) {
    REQUIRE(*scale <= rules.most_scale);
    if (out.steps == 0) out.first = *scale;
    out.climb.take(*scale, *scale > limit);
    REQUIRE(++out.steps < 40);
  }
  if (limit >= 0.1) CHECK(out.steps <= most);
  CHECK(out.climb.most_steps_left() == 0);
  return out;
}

}  // namespace

TEST_CASE("it starts low, and where loss begins is found within the resolution") {
  for (double limit = 0.03; limit < 1.2; limit += 0.0137) {
    const auto done = climb_over(limit, {1.25, 0.05, true});
    CHECK(done.first == 0.1);
    REQUIRE(done.climb.lost_scale());
    REQUIRE(done.climb.carried_scale());
    CHECK(*done.climb.lost_scale() > limit);
    CHECK(*done.climb.carried_scale() <= limit);
    CHECK((*done.climb.lost_scale() - limit) / *done.climb.lost_scale() <= 0.05);
  }
}

TEST_CASE("where everything is carried it ends at the highest load") {
  const auto done = climb_over(9, {1.1, 0.05, true});
  CHECK(done.steps == 7);
  CHECK(done.climb.carried_scale() == 1.1);
  CHECK_FALSE(done.climb.lost_scale());
  CHECK(climb_over(9, {3, 0.05, true}).climb.carried_scale() == 3.0);
  CHECK(climb_over(9, {0.05, 0.05, true}).steps == 1);
}

TEST_CASE("on a path with live work the first loss ends it") {
  const auto done = climb_over(0.5, {1.1, 0.05, false});
  CHECK(done.climb.carried_scale() == 0.4);
  CHECK(done.climb.lost_scale() == 0.6);
  CHECK(done.steps == 4);
}

TEST_CASE("a path that loses at any load is given up soon") {
  const auto done = climb_over(0, {1.1, 0.05, true});
  CHECK_FALSE(done.climb.carried_scale());
  CHECK(done.steps <= 4);
}

TEST_CASE("a load that lost below one that was carried counts: the path is not that good") {
  Climb climb({1.1, 0.05, true});
  climb.take(0.1, false);
  climb.take(0.2, false);
  climb.take(0.2, true);
  CHECK(climb.lost_scale() == 0.2);
  CHECK_FALSE(climb.carried_scale() == 0.2);
}
