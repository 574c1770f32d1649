#include "daemon/round/seen_units.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace tallywire;
using namespace tallywire::round;
using namespace std::chrono_literals;

namespace {

const SystemTime noon = from_rfc3339("2026-11-26T12:00:00.000Z");
const auto unit_mac = *wire::decode_mac("02:00:5e:10:00:01");

arrivals::Sighting announced(wire::Ipv4 address, SystemTime when) {
  wire::ArpPacket packet;
  packet.kind = wire::ArpKind::announcement;
  packet.sender = unit_mac;
  packet.sender_address = packet.target_address = address;
  return {when, unit_mac, {20}, {}, packet};
}

}  // namespace

TEST_CASE("a unit's newest address, its name and its place go into the sight") {
  arrivals::UnitTable table(nullptr, {});
  table.hear(announced({192, 0, 2, 10}, noon), "eth0");
  table.hear(announced({192, 0, 2, 11}, noon + 1s), "eth0");
  const auto sight = sight_of(*table.find(unit_mac), [](const std::string&) { return "hall/p1"; });
  CHECK(sight.hardware_address == "02:00:5e:10:00:01");
  CHECK(sight.address == "192.0.2.11");
  CHECK(sight.seen_on == "hall/p1");
  CHECK(sight.when == noon + 1s);
}

TEST_CASE("a link-local address beside another is not a unit's address") {
  arrivals::UnitTable table(nullptr, {});
  table.hear(announced({192, 0, 2, 10}, noon), "eth0");
  table.hear(announced({169, 254, 7, 9}, noon + 1s), "eth0");
  CHECK(sight_of(*table.find(unit_mac), {}).address == "192.0.2.10");
  table.hear(announced({169, 254, 7, 9}, noon + 10min), "eth0");
  CHECK(sight_of(*table.find(unit_mac), {}).address == "169.254.7.9");
}

TEST_CASE("the answer tells each unit with its camera, and the search for conflicts gets the same") {
  config::Design design;
  config::Camera camera;
  camera.id = "gate";
  camera.address = "192.0.2.10";
  camera.hardware_address = unit_mac.text();
  design.cameras = {camera};
  Roll roll(design, {}, noon);
  arrivals::UnitTable table(nullptr, {});
  const auto heard = table.hear(announced({192, 0, 2, 10}, noon), "eth0");
  roll.see(sight_of(table.units()[heard.front().unit], {}));
  const auto answer = units_json(table, &roll, {});
  REQUIRE(answer.at("units").size() == 1);
  const auto& unit = answer.at("units")[0];
  CHECK(unit.at("camera") == "gate");
  CHECK(unit.at("matched_by") == "hardware_address");
  CHECK(unit.at("vlans") == nlohmann::json::array({20}));
  CHECK(unit.at("facts")[0] == nlohmann::json({{"fact", "ipv4_address"}, {"value", "192.0.2.10"}, {"source", "ARP"},
                                               {"first_heard", to_rfc3339(noon)}, {"last_heard", to_rfc3339(noon)}}));
  const auto arrivals = arrivals_of(table, &roll, {});
  REQUIRE(arrivals.units.size() == 1);
  CHECK(arrivals.units[0].camera == "gate");
  CHECK(arrivals.units[0].addresses[0].address == "192.0.2.10");
}
