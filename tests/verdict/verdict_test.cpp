#include "daemon/verdict/verdict.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <cmath>
#include <limits>

using namespace tallywire;
using namespace tallywire::verdict;

namespace {

const SystemTime noon = from_rfc3339("2026-11-25T12:00:00.000Z");

Kind kind_of(const Target& target, double value, double uncertainty = 0) {
  return judge(target, read_number("s", "q", value, "counted", noon, {}, uncertainty)).kind;
}

Target limit(Relation relation, std::optional<double> low, std::optional<double> high,
             double reserve) {
  return {"s", "q", relation, low, high, {}, {}, reserve, "a limit"};
}

double next_up(double v) { return std::nextafter(v, std::numeric_limits<double>::infinity()); }
double next_down(double v) { return std::nextafter(v, -std::numeric_limits<double>::infinity()); }

}  // namespace

TEST_CASE("a greatest value: the limit itself is met, a hair more is missed") {
  const auto t = limit(Relation::at_most, {}, 100, 0);
  CHECK(kind_of(t, next_down(100)) == Kind::met);
  CHECK(kind_of(t, 100) == Kind::met);
  CHECK(kind_of(t, next_up(100)) == Kind::missed);
}

TEST_CASE("a least value: the limit itself is met, a hair less is missed") {
  const auto t = limit(Relation::at_least, 100, {}, 0);
  CHECK(kind_of(t, next_up(100)) == Kind::met);
  CHECK(kind_of(t, 100) == Kind::met);
  CHECK(kind_of(t, next_down(100)) == Kind::missed);
}

TEST_CASE("a band holds both of its edges and nothing beyond") {
  const auto t = limit(Relation::between, 23.75, 26.25, 0);
  CHECK(kind_of(t, 23.75) == Kind::met);
  CHECK(kind_of(t, 26.25) == Kind::met);
  CHECK(kind_of(t, 25) == Kind::met);
  CHECK(kind_of(t, next_down(23.75)) == Kind::missed);
  CHECK(kind_of(t, next_up(26.25)) == Kind::missed);
}

TEST_CASE("an exact number is met by nothing but itself") {
  const auto t = limit(Relation::equals, 1e9, 1e9, 0);
  CHECK(kind_of(t, 1e9) == Kind::met);
  CHECK(kind_of(t, next_up(1e9)) == Kind::missed);
  CHECK(kind_of(t, 1e8) == Kind::missed);
}

TEST_CASE("inside the reserve is tight, on its edge is met, beyond the limit is missed") {
  const auto most = limit(Relation::at_most, {}, 100, 8);
  CHECK(kind_of(most, 92) == Kind::met);
  CHECK(kind_of(most, next_up(92)) == Kind::tight);
  CHECK(kind_of(most, 100) == Kind::tight);
  CHECK(kind_of(most, next_up(100)) == Kind::missed);
  const auto least = limit(Relation::at_least, 100, {}, 8);
  CHECK(kind_of(least, 108) == Kind::met);
  CHECK(kind_of(least, next_down(108)) == Kind::tight);
  CHECK(kind_of(least, 100) == Kind::tight);
  CHECK(kind_of(least, next_down(100)) == Kind::missed);
}

TEST_CASE("an uncertainty that reaches over the limit makes a met value tight, never a missed one met") {
  const auto t = limit(Relation::at_most, {}, 100, 0);
  CHECK(kind_of(t, 99, 1) == Kind::met);
  CHECK(kind_of(t, 99, 1.001) == Kind::tight);
  CHECK(kind_of(t, 101, 5) == Kind::missed);
}

TEST_CASE("words are held exactly") {
  Target t{"s", "codec", Relation::equals, {}, {}, "H265", {}, 0, "H265"};
  CHECK(judge(t, read_word("s", "codec", "H265", "SDP", noon)).kind == Kind::met);
  const auto other = judge(t, read_word("s", "codec", "H264", "SDP", noon));
  CHECK(other.kind == Kind::missed);
  CHECK(other.reason == "is “H264”, the design says “H265”");
}

TEST_CASE("what was not read stays unread, with its reason") {
  const auto t = limit(Relation::at_most, {}, 100, 0);
  const auto v = judge(t, unread("s", "q", "login refused", noon));
  CHECK(v.kind == Kind::unread);
  CHECK(v.reason == "login refused");
  CHECK(kind_of(t, std::nan("")) == Kind::unread);
}

TEST_CASE("the margin is the distance to the nearest limit as a share of it") {
  const auto t = limit(Relation::at_most, {}, 80, 0);
  CHECK(judge(t, read_number("s", "q", 60, "", noon)).margin_ratio == 0.25);
  CHECK(judge(t, read_number("s", "q", 100, "", noon)).margin_ratio == -0.25);
}

TEST_CASE("a target nobody measured is unread, and the last reading of a quantity counts") {
  const auto t = limit(Relation::at_most, {}, 100, 0);
  const auto none = judge_all({t}, {}, noon);
  REQUIRE(none.size() == 1);
  CHECK(none[0].kind == Kind::unread);
  CHECK_FALSE(none[0].reason.empty());
  const auto both = judge_all({t}, {read_number("s", "q", 200, "", noon), read_number("s", "q", 50, "", noon)}, noon);
  CHECK(both[0].kind == Kind::met);
}

TEST_CASE("the exit code follows the design page: missed over unread over nothing") {
  CHECK(exit_code_of({5, 1, 0, 0}) == 0);
  CHECK(exit_code_of({5, 1, 1, 9}) == 1);
  CHECK(exit_code_of({5, 1, 0, 1}) == 3);
}

TEST_CASE("a verdict's JSON has every key of docs/api.md") {
  const auto t = limit(Relation::at_most, {}, 100, 0);
  const nlohmann::json j = judge(t, read_number("s", "q", 60, "counted", noon));
  for (const char* key : {"subject", "quantity", "verdict", "target", "reading", "margin_ratio", "reason"})
    CHECK(j.contains(key));
  CHECK(j["verdict"] == "met");
  CHECK(j["target"]["high"] == 100);
  CHECK(j["target"]["low"].is_null());
  CHECK(j["reading"]["value"] == 60);
}
