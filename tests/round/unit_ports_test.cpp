#include "daemon/round/unit_ports.hpp"

#include <catch2/catch.hpp>

#include <algorithm>

using namespace tallywire;
using namespace tallywire::round;

namespace {

const SystemTime noon = from_rfc3339("2026-11-25T12:00:00.000Z");

// hall <- yard (uplink "up" into hall's p8); a unit on each.
config::Design two_switches() {
  config::Design d;
  d.switches = {{"hall", "", "198.51.100.2", config::SnmpAccess{}, {"p1", "p8", "up"},
                 {{"up", "up", "core", 1'000'000'000}}, {}},
                {"yard", "", "198.51.100.3", config::SnmpAccess{}, {"p1", "up"},
                 {{"up", "up", "hall", 100'000'000}}, {}}};
  return d;
}

SwitchLooks looks() {
  SwitchLooks out;
  out["hall"].learnt = {{"02:00:5e:10:00:01", "p1"}, {"02:00:5e:10:00:02", "p8"}, {"02:00:5e:10:00:09", "up"}};
  out["yard"].learnt = {{"02:00:5e:10:00:02", "p1"}, {"02:00:5e:10:00:01", "up"}};
  out["hall"].ports["p1"].readings = {read_number("", "link_speed_bps", 1e9, "IF-MIB", noon)};
  return out;
}

const Reading& find(const std::vector<Reading>& readings, const std::string& quantity) {
  for (const auto& r : readings)
    if (r.quantity == quantity) return r;
  FAIL("no reading of " << quantity);
  return readings.front();
}

}  // namespace

TEST_CASE("a unit hangs on the port that leads to no other switch") {
  const auto placed = placed_units(two_switches(), looks());
  CHECK(placed.size() == 2);
  CHECK(placed.at("02:00:5e:10:00:01") == "hall/p1");
  CHECK(placed.at("02:00:5e:10:00:02") == "yard/p1");
}

TEST_CASE("what the switch says of the port becomes a reading of the unit") {
  config::Camera camera;
  camera.id = "gate";
  camera.switch_id = "hall";
  camera.port = "p1";
  Entry entry;
  entry.presence = Presence::arrived;
  entry.seen_on = "hall/p1";
  const auto readings = port_readings(camera, entry, looks(), noon);
  CHECK(find(readings, "presence").word() == "arrived");
  CHECK(find(readings, "port").word() == "hall/p1");
  CHECK(find(readings, "link_speed_bps").number() == 1e9);
  CHECK(find(readings, "link_speed_bps").subject == "camera/gate");
}

TEST_CASE("of a unit that is away, or a switch that does not answer, the port is unread") {
  config::Camera camera;
  camera.id = "gate";
  camera.switch_id = "hall";
  camera.port = "p1";
  Entry away;
  CHECK(find(port_readings(camera, away, looks(), noon), "port").unread == "the unit is not on the wire");
  CHECK(find(port_readings(camera, away, looks(), noon), "presence").word() == "awaited");
  Entry here;
  here.presence = Presence::arrived;
  auto silent = looks();
  silent["hall"].fault = Fault{FaultKind::timed_out, "no answer by SNMP", "198.51.100.2", ""};
  CHECK(find(port_readings(camera, here, silent, noon), "link_speed_bps").unread ==
        "no answer by SNMP (198.51.100.2)");
}

TEST_CASE("a neighbour that bridges leads further on, where the unit is also seen elsewhere; the unit itself may bridge") {
  auto seen = looks();
  seen["hall"].learnt = {{"02:00:5e:10:00:01", "p1"}, {"02:00:5e:10:00:02", "p2"}, {"02:00:5e:10:00:03", "p3"}};
  seen["hall"].ports["p1"].bridging_neighbours = {"02:00:5e:10:00:01"};
  seen["hall"].ports["p2"].bridging_neighbours = {"02:00:5e:20:00:09"};
  seen["hall"].ports["p3"].bridging_neighbours = {"02:00:5e:20:00:09"};
  seen["yard"].learnt = {{"02:00:5e:10:00:02", "p1"}};
  const auto placed = placed_units(two_switches(), seen);
  CHECK(placed.at("02:00:5e:10:00:01") == "hall/p1");
  CHECK(placed.at("02:00:5e:10:00:02") == "yard/p1");
  CHECK(placed.at("02:00:5e:10:00:03") == "hall/p3");
}

TEST_CASE("RFC 3621 knows no class above 4: of a unit of class 6 its 4 is unread, its 2 is not") {
  config::Camera camera;
  camera.id = "gate";
  camera.switch_id = "hall";
  camera.port = "p1";
  camera.power_class = 6;
  Entry here;
  here.presence = Presence::arrived;
  auto seen = looks();
  seen["hall"].ports["p1"].readings = {read_number("", "power_class", 4, "POWER-ETHERNET-MIB", noon)};
  CHECK(find(port_readings(camera, here, seen, noon), "power_class").unread.find("RFC 3621") != std::string::npos);
  seen["hall"].ports["p1"].readings = {read_number("", "power_class", 2, "POWER-ETHERNET-MIB", noon)};
  CHECK(find(port_readings(camera, here, seen, noon), "power_class").number() == 2);
  camera.power_class = 4;
  seen["hall"].ports["p1"].readings = {read_number("", "power_class", 4, "POWER-ETHERNET-MIB", noon)};
  CHECK(find(port_readings(camera, here, seen, noon), "power_class").number() == 4);
}

TEST_CASE("what a switch says of itself is under its own name, or unread with the reason") {
  auto seen = looks();
  const auto d = two_switches();
  seen["hall"].readings = {read_number("", "power_budget_w", 130, "POWER-ETHERNET-MIB", noon)};
  CHECK(find(switch_readings(d.switches[0], seen, noon), "power_budget_w").subject == "switch/hall");
  seen["hall"].fault = Fault{FaultKind::timed_out, "no answer by SNMP", "198.51.100.2", ""};
  CHECK(find(switch_readings(d.switches[0], seen, noon), "power_budget_w").unread == "no answer by SNMP (198.51.100.2)");
  seen.erase("hall");
  CHECK(find(switch_readings(d.switches[0], seen, noon), "power_budget_w").unread == "the design gives no SNMP access to it");
}

TEST_CASE("of a unit that is away its empty port tells link and power, and nothing of a port where somebody else hangs") {
  config::Camera camera;
  camera.id = "gate";
  camera.switch_id = "hall";
  camera.port = "p2";
  auto seen = looks();
  seen["hall"].ports["p2"].readings = {read_word("", "link_state", "down", "IF-MIB", noon), read_word("", "power_state", "fault", "POWER-ETHERNET-MIB", noon),
                                       read_number("", "new_power_denied", 3, "POWER-ETHERNET-MIB", noon), read_word("", "duplex", "half", "", noon)};
  const auto readings = port_readings(camera, Entry(), seen, noon);
  CHECK(find(readings, "link_state").word() == "down");
  CHECK(find(readings, "new_power_denied").subject == "camera/gate");
  const auto names = [](const std::vector<Reading>& all, const char* quantity) {
    return std::count_if(all.begin(), all.end(), [&](const Reading& r) { return r.quantity == quantity; });
  };
  CHECK(names(readings, "duplex") == 0);
  seen["hall"].learnt["02:00:5e:10:00:77"] = "p2";
  CHECK(names(port_readings(camera, Entry(), seen, noon), "power_state") == 0);
}

TEST_CASE("the port of an uplink tells under the uplink's name, but for power") {
  auto seen = looks();
  seen["hall"].ports["up"].readings = {read_number("", "new_fcs_errors", 12, "EtherLike-MIB", noon), read_word("", "power_state", "searching", "", noon)};
  const auto d = two_switches();
  const auto readings = switch_readings(d.switches[0], seen, noon);
  REQUIRE(readings.size() == 1);
  CHECK(readings[0].subject == "switch/hall/uplink/up");
  CHECK(readings[0].number() == 12);
}
