#include "daemon/round/sweep.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <cmath>

using namespace tallywire;
using namespace tallywire::round;
using namespace std::chrono_literals;

namespace {

const SystemTime noon = from_rfc3339("2026-11-26T12:00:00.000Z");

// Steps as the watch's timer does; answers who was asked and when.
std::vector<std::pair<std::string, SystemTime>> run(Sweep& sweep, std::chrono::milliseconds step) {
  std::vector<std::pair<std::string, SystemTime>> out;
  for (auto now = noon; !sweep.is_asked() && now < noon + 1h; now += step)
    for (const auto& address : sweep.take_due(now)) out.emplace_back(wire::text_of(address), now);
  return out;
}

}  // namespace

TEST_CASE("every host of a range is asked once, its network and broadcast addresses are not") {
  auto sweep = Sweep::of("198.51.100.77/29", 100, noon);
  REQUIRE(sweep.has_value());
  std::vector<std::string> asked;
  for (const auto& [address, when] : run(*sweep, 50ms)) asked.push_back(address);
  CHECK(asked == std::vector<std::string>{"198.51.100.73", "198.51.100.74", "198.51.100.75", "198.51.100.76", "198.51.100.77", "198.51.100.78"});
  CHECK(sweep->asked() == sweep->in_all());
}

// RFC 3021: both addresses of a /31 are hosts.
TEST_CASE("ranges of one and two addresses have no ends") {
  auto pair = Sweep::of("192.0.2.4/31", 100, noon), one = Sweep::of("192.0.2.4", 100, noon);
  CHECK(run(*pair, 50ms).size() == 2);
  CHECK(run(*one, 50ms).size() == 1);
}

TEST_CASE("a /22 is asked within 15 s at the usual rate, and never faster than it") {
  auto sweep = Sweep::of("198.51.100.0/22", Sweep::usual_rate_per_s, noon);
  const auto asked = run(*sweep, 50ms);
  CHECK(asked.size() == 1022);
  CHECK(asked.back().second - noon < 15s);
  std::size_t first = 0;
  for (std::size_t i = 0; i < asked.size(); ++i) {
    while (asked[i].second - asked[first].second >= 1s) ++first;
    CHECK(i - first + 1 <= 101);
  }
}

TEST_CASE("a pause of the caller is not made up for in one burst") {
  auto sweep = Sweep::of("198.51.100.0/24", 100, noon);
  sweep->take_due(noon);
  CHECK(sweep->take_due(noon + 1min).size() <= 10);
}

TEST_CASE("what is no range is refused with what to try") {
  for (const char* range : {"", "198.51.100.0/", "198.51.100.0/33", "198.51.100.0/15", "198.51.100/24", "2001:db8::/64", "198.51.100.0/24x", "198.51.100.0/-1"}) {
    const auto sweep = Sweep::of(range, 100, noon);
    REQUIRE_FALSE(sweep.has_value());
    CHECK(sweep.error().kind == FaultKind::bad_request);
  }
  CHECK_FALSE(Sweep::of("198.51.100.0/24", 0.5, noon).has_value());
  CHECK_FALSE(Sweep::of("198.51.100.0/24", 1001, noon).has_value());
  CHECK_FALSE(Sweep::of("198.51.100.0/24", std::nan(""), noon).has_value());
}
