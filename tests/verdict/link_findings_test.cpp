#include "daemon/verdict/link_findings.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::verdict;

namespace {

const SystemTime noon = from_rfc3339("2026-11-25T12:00:00.000Z");

class Port {
 public:
  std::vector<Reading> readings;
  Port& with(const char* quantity, double value) {
    readings.push_back(read_number("port/p3", quantity, value, "two looks", noon, std::chrono::seconds(2)));
    return *this;
  }
  Port& with(const char* quantity, const char* word) {
    readings.push_back(read_word("port/p3", quantity, word, "one look", noon));
    return *this;
  }
  std::string found() const {
    std::string out;
    for (const auto& f : find_link_causes(readings)) out += (out.empty() ? "" : " ") + f.id;
    return out;
  }
};

}  // namespace

// IEEE 802.3 clauses 40 and 25; check-values section 16.
TEST_CASE("100 Mbit/s where both ends offer 1000 points at the pairs that 100BASE-TX does not need") {
  const auto found = find_link_causes(Port().with("link_speed_bps", 1e8).with("offered_speed_bps", 1e9).readings);
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "link_below_offer");
  CHECK(found[0].sentence == "port p3 is linked at 100 Mbit/s though both ends offer 1 Gbit/s: pair 4-5 or 7-8 is open");
  CHECK(found[0].next_step.find("1-2, 3-6, 4-5 and 7-8 (IEEE 802.3 clause 40), 100BASE-TX only 1-2 and 3-6 (clause 25)") != std::string::npos);
}

TEST_CASE("1 Gbit/s where both ends offer more has four whole pairs") {
  const auto found = find_link_causes(Port().with("link_speed_bps", 1e9).with("offered_speed_bps", 2.5e9).readings);
  REQUIRE(found.size() == 1);
  CHECK(found[0].sentence.find("four pairs are whole") != std::string::npos);
  CHECK(find_link_causes(Port().with("link_speed_bps", 1e7).with("offered_speed_bps", 1e9).readings)[0].sentence.find("a pair is bad") !=
        std::string::npos);
}

TEST_CASE("a link as fast as both ends offer, and one of which that is not known, point to nothing") {
  CHECK(Port().with("link_speed_bps", 1e8).with("offered_speed_bps", 1e8).found().empty());
  CHECK(Port().with("link_speed_bps", 1e8).found().empty());
  auto unknown = Port().with("link_speed_bps", 1e8).readings;
  unknown.push_back(unread("port/p3", "offered_speed_bps", "the switch does not tell", noon));
  CHECK(find_link_causes(unknown).empty());
}

// Parallel detection (IEEE 802.3): late collisions on the half-duplex side, FCS errors on the fixed one; check-values section 16,
// common practice.
TEST_CASE("ends that disagree on duplex are told from either side") {
  CHECK(Port().with("duplex", "half").with("new_late_collisions", 4).found() == "duplex_mismatch");
  CHECK(Port().with("duplex", "full").with("negotiation", "off").with("new_fcs_errors", 2).found() == "duplex_mismatch");
  CHECK(Port().with("duplex", "half").with("new_late_collisions", 0.0).found() == "half_duplex");
  CHECK(Port().with("duplex", "full").with("negotiation", "off").found().empty());
}

TEST_CASE("damaged frames are told by their share, and where nobody counts frames by their number") {
  // 3 of 300 003 are just beneath 1e-5; 3 of 200 003 above.
  CHECK(Port().with("new_fcs_errors", 3).with("new_in_packets", 300'000).found().empty());
  CHECK(Port().with("new_fcs_errors", 3).with("new_in_packets", 200'000).found() == "link_dirty");
  CHECK(Port().with("new_fcs_errors", 2).with("new_in_packets", 10).found().empty());
  CHECK(Port().with("new_fcs_errors", 9).found().empty());
  CHECK(Port().with("new_fcs_errors", 10).found() == "link_dirty");
  const auto found = find_link_causes(Port().with("new_fcs_errors", 10).with("new_in_packets", 90).readings);
  CHECK(found[0].evidence == std::vector<std::string>{"10 FCS errors in 2 s (two looks)", "10 % of its frames"});
}

TEST_CASE("power refused, overloaded, short-circuited and in fault are findings of their own") {
  CHECK(Port().with("new_power_denied", 1).found() == "power_denied");
  CHECK(Port().with("new_power_overloads", 1).found() == "power_overload");
  CHECK(Port().with("new_power_shorts", 1).found() == "power_short_circuit");
  CHECK(Port().with("power_state", "fault").found() == "power_fault");
  CHECK(Port().with("power_state", "searching").with("new_power_denied", 0.0).found().empty());
}

TEST_CASE("only the last reading counts, and each subject for itself") {
  auto readings = Port().with("new_power_denied", 1).with("new_power_denied", 0.0).readings;
  readings.push_back(read_number("camera/gate", "new_power_denied", 2, "two looks", noon));
  const auto found = find_link_causes(readings);
  REQUIRE(found.size() == 1);
  CHECK(found[0].subject == "camera/gate");
}
