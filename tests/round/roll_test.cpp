#include "daemon/round/roll.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <set>

using namespace tallywire;
using namespace tallywire::round;
using namespace std::chrono_literals;

namespace {

const SystemTime noon = from_rfc3339("2026-11-25T12:00:00.000Z");

config::Design two_cameras() {
  config::Design d;
  config::Camera with_mac;
  with_mac.id = "gate";
  with_mac.address = "198.51.100.31";
  with_mac.hardware_address = "02:00:5e:10:00:01";
  config::Camera by_address;
  by_address.id = "yard";
  by_address.address = "198.51.100.32";
  by_address.serial = "TD-0002";
  d.cameras = {with_mac, by_address};
  d.switches = {{"hall", "", "198.51.100.2", {}, {}, {}, {}}};
  return d;
}

// Lets time pass in steps of a second as the watcher does, and counts the asks; nobody answers.
Changes pass(Roll& roll, SystemTime from, int seconds, int* asks = nullptr) {
  Changes out;
  for (int s = 1; s <= seconds; ++s) {
    const auto now = from + std::chrono::seconds(s);
    const auto due = roll.due_asks(now, 100, true);
    for (const auto& one : due) roll.asked(one.camera, now);
    if (asks) *asks += static_cast<int>(due.size());
    for (auto& change : roll.tick(now, {"eth0"}).cameras) out.cameras.push_back(change);
  }
  return out;
}

}  // namespace

TEST_CASE("everybody is awaited before anything was heard") {
  const auto design = two_cameras();
  const Roll roll(design, {}, noon);
  for (const auto& entry : roll.entries()) CHECK(entry.presence == Presence::awaited);
  CHECK(roll.strangers().empty());
}

TEST_CASE("a unit arrives with its first frame, by hardware address even while it only probes") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  const auto changes = roll.see({"02:00:5e:10:00:01", "", noon + 1s});
  REQUIRE(changes.cameras.size() == 1);
  CHECK(changes.cameras[0].entry.camera == "gate");
  CHECK(changes.cameras[0].was == Presence::awaited);
  CHECK(changes.cameras[0].entry.presence == Presence::arrived);
  CHECK(roll.see({"02:00:5e:10:00:01", "198.51.100.31", noon + 2s}).cameras.empty());
}

TEST_CASE("a unit without a hardware address in the design arrives by its address") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  const auto changes = roll.see({"02:00:5e:10:00:77", "198.51.100.32", noon});
  REQUIRE(changes.cameras.size() == 1);
  CHECK(roll.find("yard")->hardware_address == "02:00:5e:10:00:77");
}

TEST_CASE("whoever takes a camera's address with another hardware address is a stranger") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  const auto changes = roll.see({"02:00:5e:10:00:66", "198.51.100.31", noon});
  CHECK(changes.cameras.empty());
  REQUIRE(changes.strangers.size() == 1);
  CHECK(roll.find("gate")->presence == Presence::awaited);
}

TEST_CASE("switches, recorders and this machine are no strangers") {
  const auto design = two_cameras();
  Roll roll(design, {"02:00:5e:10:00:fe"}, noon);
  roll.see({"02:00:5e:10:00:fe", "198.51.100.20", noon});
  roll.see({"02:00:5e:10:00:02", "198.51.100.2", noon});
  CHECK(roll.strangers().empty());
}

TEST_CASE("who hangs on a recorder's port and has said no IPv4 address yet is the recorder; with another address it is a stranger") {
  auto design = two_cameras();
  design.recorders = {{"recorder", "", "198.51.100.10", "hall", "rec", {}}};
  Roll roll(design, {}, noon);
  roll.see({"02:00:5e:10:00:10", "fe80::1", noon});
  CHECK(roll.strangers().size() == 1);
  roll.place("02:00:5e:10:00:10", "hall/rec");
  CHECK(roll.strangers().empty());
  roll.see({"02:00:5e:10:00:10", "198.51.100.77", noon});
  CHECK(roll.strangers().size() == 1);
}

TEST_CASE("a silent unit is asked three times and then lost, within 15 s of its last frame") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  roll.see({"02:00:5e:10:00:01", "198.51.100.31", noon});
  CHECK(pass(roll, noon, 9).cameras.empty());
  const auto changes = pass(roll, noon + 9s, 5);
  REQUIRE(changes.cameras.size() == 1);
  CHECK(changes.cameras[0].entry.presence == Presence::lost);
  CHECK(changes.cameras[0].entry.asked_in_vain >= 3);
  CHECK(changes.cameras[0].entry.since - noon < 15s);
}

TEST_CASE("a unit that answers stays, and comes back when it speaks again") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  roll.see({"02:00:5e:10:00:01", "198.51.100.31", noon});
  for (int s = 4; s < 300; s += 4) {
    CHECK(pass(roll, noon + std::chrono::seconds(s - 4), 4).cameras.empty());
    roll.see({"02:00:5e:10:00:01", "198.51.100.31", noon + std::chrono::seconds(s)});
  }
  REQUIRE(pass(roll, noon + 300s, 20).cameras.size() == 1);
  const auto back = roll.see({"02:00:5e:10:00:01", "198.51.100.31", noon + 330s});
  REQUIRE(back.cameras.size() == 1);
  CHECK(back.cameras[0].was == Presence::lost);
  CHECK(back.cameras[0].entry.presence == Presence::arrived);
}

TEST_CASE("asks stay few: an absent unit is asked every five seconds") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  int asks = 0;
  pass(roll, noon, 60, &asks);
  CHECK(asks <= 2 * 13);
  CHECK(asks >= 2 * 11);
}

TEST_CASE("a round's verdict shows in presence, but not of a unit that is away") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  CHECK(roll.judged("gate", Presence::proven, "", noon).cameras.empty());
  roll.see({"02:00:5e:10:00:01", "198.51.100.31", noon});
  roll.judged("gate", Presence::proven, "", noon);
  CHECK(roll.find("gate")->presence == Presence::proven);
  roll.judged("gate", Presence::wanting, "1 target missed", noon);
  CHECK(roll.find("gate")->presence == Presence::wanting);
}

TEST_CASE("presence survives a restart, and silence counts from then") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  roll.see({"02:00:5e:10:00:01", "198.51.100.31", noon});
  roll.judged("gate", Presence::proven, "", noon);
  const nlohmann::json saved = roll.entries();
  Roll again(design, {}, noon + 1h);
  again.restore(saved, noon + 1h);
  CHECK(again.find("gate")->presence == Presence::proven);
  CHECK(again.find("yard")->presence == Presence::awaited);
  CHECK(pass(again, noon + 1h, 9).cameras.empty());
  CHECK(pass(again, noon + 1h + 9s, 5).cameras.size() == 1);
}

TEST_CASE("a unit heard only across a router is not lost for want of frames") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  roll.heard("gate", noon);
  CHECK(roll.find("gate")->presence == Presence::arrived);
  CHECK(pass(roll, noon, 60).cameras.empty());
}

TEST_CASE("units are matched by hardware address, then serial number, then port, then address") {
  auto design = two_cameras();
  design.cameras[1].switch_id = "hall";
  design.cameras[1].port = "p2";
  Roll roll(design, {}, noon);
  CHECK(roll.match({"02:00:5e:10:00:01", "198.51.100.32", noon, "TD-0002", "hall/p2"}).second == MatchedBy::hardware_address);
  const Sight by_serial{"02:00:5e:10:00:77", "198.51.100.31", noon, "TD-0002", "hall/p1"};
  CHECK(roll.match(by_serial).first->camera == "yard");
  CHECK(roll.match(by_serial).second == MatchedBy::serial);
  CHECK(roll.match({"02:00:5e:10:00:77", "192.0.2.1", noon, "", "hall/p2"}).second == MatchedBy::port);
  CHECK(roll.match({"02:00:5e:10:00:77", "198.51.100.32", noon}).second == MatchedBy::address);
  // Another serial number on the port or address is another unit.
  CHECK(roll.match({"02:00:5e:10:00:77", "198.51.100.32", noon, "TD-0009", "hall/p2"}).first == nullptr);
}

TEST_CASE("who took a camera's address does not take the place of the unit that is matched by more") {
  auto design = two_cameras();
  Roll roll(design, {}, noon);
  roll.see({"02:00:5e:10:00:77", "198.51.100.40", noon, "TD-0002"});
  const auto changes = roll.see({"02:00:5e:10:00:88", "198.51.100.32", noon + 1s});
  CHECK_FALSE(changes.matched);
  CHECK(changes.strangers.size() == 1);
  CHECK(roll.find("yard")->hardware_address == "02:00:5e:10:00:77");
}

TEST_CASE("a unit whose port has no link is lost at once, one that speaks elsewhere is not") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  roll.see({"02:00:5e:10:00:01", "198.51.100.31", noon, "", "hall/p1"});
  CHECK(roll.port_down("hall/p9", noon + 8s).cameras.empty());
  CHECK(roll.port_down("hall/p1", noon + 1s).cameras.empty());
  const auto changes = roll.port_down("hall/p1", noon + 8s);
  REQUIRE(changes.cameras.size() == 1);
  CHECK(changes.cameras[0].entry.presence == Presence::lost);
  CHECK(changes.cameras[0].entry.reason == "its port hall/p1 has no link");
}

TEST_CASE("no more is asked than the rate allows, those that are here first, and what was not asked is not counted") {
  config::Design design;
  for (int n = 0; n < 1000; ++n) {
    config::Camera camera;
    camera.id = "c" + std::to_string(n);
    camera.address = "198.51." + std::to_string(100 + n / 250) + "." + std::to_string(1 + n % 250);
    design.cameras.push_back(camera);
  }
  Roll roll(design, {}, noon);
  roll.see({"02:00:5e:10:00:01", design.cameras[999].address, noon});
  const auto first = roll.due_asks(noon + 5s, 20, true);
  REQUIRE(first.size() == 20);
  CHECK(first[0].address == design.cameras[999].address);
  CHECK(roll.find("c999")->asked_in_vain == 0);  // before it was sent
  std::set<std::string> asked;
  for (int n = 0; n < 50; ++n)
    for (const auto& due : roll.due_asks(noon + 5s + n * 10ms, 20, true)) {
      roll.asked(due.camera, noon + 5s + n * 10ms);
      asked.insert(due.address);
    }
  CHECK(asked.size() == 1000);  // everybody had a turn before anybody had two
}

TEST_CASE("switches and routers that say so are no strangers") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  Sight bridge{"02:00:5e:10:00:b0", "", noon};
  bridge.is_network = true;
  roll.see(bridge);
  CHECK(roll.strangers().empty());
  CHECK(roll.is_infrastructure("02:00:5e:10:00:b0"));
  roll.see({"02:00:5e:10:00:b1", "", noon});
  CHECK(roll.strangers().size() == 1);
  roll.not_a_unit("02:00:5e:10:00:b1");  // by SNMP
  CHECK(roll.strangers().empty());
  roll.see({"02:00:5e:10:00:b1", "", noon + 1s});
  CHECK(roll.strangers().empty());
}

// RFC 5227 §2.1.1: to a host that just starts, a probe without an address of ours is a conflict.
TEST_CASE("without an address to ask from, only units that are here are asked") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  CHECK(roll.due_asks(noon + 60s, 100, false).empty());
  roll.see({"02:00:5e:10:00:01", "198.51.100.31", noon});
  CHECK(roll.due_asks(noon + 2s, 100, false).empty());  // it may just have started
  const auto due = roll.due_asks(noon + 5s, 100, false);
  REQUIRE(due.size() == 1);
  CHECK(due[0].camera == "gate");
}

TEST_CASE("a unit is asked where it was heard: at its address, on its interface, behind its tags") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  Sight elsewhere{"02:00:5e:10:00:01", "192.0.2.64", noon};
  elsewhere.interface = "eth1";
  elsewhere.vlans = {20};
  roll.see(elsewhere);
  const auto due = roll.due_asks(noon + 5s, 100, false);
  REQUIRE(due.size() == 1);
  CHECK(due[0].address == "192.0.2.64");
  CHECK(due[0].interface == "eth1");
  CHECK(due[0].vlans == std::vector<std::uint16_t>{20});
}

TEST_CASE("while an interface hears nothing, the units behind it are not lost") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  Sight sight{"02:00:5e:10:00:01", "198.51.100.31", noon};
  sight.interface = "eth1";
  roll.see(sight);
  for (int n = 0; n < 3; ++n) roll.asked("gate", noon + std::chrono::seconds(5 + n));
  CHECK(roll.tick(noon + 60s, {"eth0"}).cameras.empty());
  CHECK(roll.tick(noon + 60s, {"eth0", "eth1"}).cameras.size() == 1);
}

TEST_CASE("what a unit was matched by is known after a restart") {
  const auto design = two_cameras();
  Roll before(design, {}, noon), after(design, {}, noon);
  before.see({"02:00:5e:10:00:77", "198.51.100.40", noon, "TD-0002"});
  after.restore(nlohmann::json(before.entries()), noon + 60s);
  CHECK(after.find("yard")->hardware_address == "02:00:5e:10:00:77");
  CHECK(after.find("yard")->matched_by == MatchedBy::serial);
  CHECK_FALSE(after.see({"02:00:5e:10:00:88", "198.51.100.32", noon + 61s}).matched);
}
