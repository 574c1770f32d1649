#include "daemon/round/unit_ports.hpp"

#include <catch2/catch.hpp>

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
