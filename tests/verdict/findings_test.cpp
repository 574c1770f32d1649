#include "daemon/verdict/findings.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::verdict;

namespace {

const SystemTime noon = from_rfc3339("2026-11-25T12:00:00.000Z");

Verdict missed(const std::string& subject, const std::string& quantity, double value, double promised) {
  Target t{subject, quantity, Relation::at_most, {}, promised, {}, promised, 0, "promised"};
  return {t, read_number(subject, quantity, value, "", noon), Kind::missed, {}, ""};
}

}  // namespace

TEST_CASE("a slow port is told with the pairs to look at") {
  const auto found = find_causes({missed("camera/gate", "link_speed_bps", 1e8, 1e9)}, {});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "port_slow");
  CHECK(found[0].sentence == "gate is linked at 100 Mbit/s, the design wants 1000 Mbit/s");
  // Pairs of 1000BASE-T and 100BASE-TX: IEEE 802.3 clauses 40 and 25; check-values section 16.
  CHECK(found[0].next_step.find("1-2, 3-6, 4-5 and 7-8") != std::string::npos);
}

TEST_CASE("a clock nine minutes off is told in minutes, with its direction") {
  const auto found = find_causes({missed("camera/gate", "clock_offset_s", -540, 2)}, {});
  REQUIRE(found.size() == 1);
  CHECK(found[0].sentence == "gate has a clock that is 9 minutes behind");
}

TEST_CASE("wrong width and height of one stream are one finding with two pieces of evidence") {
  const auto found = find_causes({missed("camera/gate/head/1/stream/main", "width_px", 640, 1920),
                                  missed("camera/gate/head/1/stream/main", "height_px", 360, 1080)}, {});
  REQUIRE(found.size() == 1);
  CHECK(found[0].evidence.size() == 2);
  CHECK(found[0].sentence.find("gate, head 1, stream main") == 0);
}

TEST_CASE("what is met, tight or unread points to no cause") {
  auto v = missed("camera/gate", "clock_offset_s", 1, 2);
  v.reason = "the unit did not answer";
  for (const auto kind : {Kind::met, Kind::tight, Kind::unread}) {
    v.kind = kind;
    CHECK(find_causes({v}, {}).empty());
  }
}

TEST_CASE("a stranger is a finding with its port") {
  const auto found = find_causes({}, {{"02:00:5e:10:00:99", "198.51.100.99", noon, "sw-yard/p7"}});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "stranger");
  CHECK(found[0].sentence.find("sw-yard/p7") != std::string::npos);
}

TEST_CASE("a refused login is told once for a unit, however many targets it leaves unread") {
  std::vector<Verdict> verdicts;
  for (const char* q : {"codec", "payload_bps"}) {
    const std::string subject = "camera/gate/head/1/stream/main";
    const auto reading = unread(subject, q, "login refused by 198.51.100.31", noon);
    verdicts.push_back(judge({subject, q, Relation::at_most, {}, 1.0, {}, {}, 0, ""}, reading));
  }
  const auto found = find_causes(verdicts, {});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "login_refused");
  CHECK(found[0].subject == "camera/gate");
}
