#include "daemon/round/roll.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

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
    const auto due = roll.take_due_asks(now, 100);
    if (asks) *asks += static_cast<int>(due.size());
    for (auto& change : roll.tick(now).cameras) out.cameras.push_back(change);
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
  CHECK(roll.judged("gate", false, "", noon).cameras.empty());
  roll.see({"02:00:5e:10:00:01", "198.51.100.31", noon});
  roll.judged("gate", false, "", noon);
  CHECK(roll.find("gate")->presence == Presence::proven);
  roll.judged("gate", true, "1 target missed", noon);
  CHECK(roll.find("gate")->presence == Presence::wanting);
}

TEST_CASE("presence survives a restart, and silence counts from then") {
  const auto design = two_cameras();
  Roll roll(design, {}, noon);
  roll.see({"02:00:5e:10:00:01", "198.51.100.31", noon});
  roll.judged("gate", false, "", noon);
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
