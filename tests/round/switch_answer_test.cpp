#include "daemon/round/switch_answer.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::round;

namespace {

link::SwitchPort port(std::uint32_t index, const char* name, const char* learnt) {
  link::SwitchPort p;
  p.index = index;
  p.name = name;
  p.learnt = {{learnt, {}}};
  p.leads_to = "unit";
  p.in_octets = p.out_octets = 0;
  p.in_octets_are_64_bit = p.out_octets_are_64_bit = true;
  p.fcs_errors = 0;
  p.in_packets = 0;
  return p;
}

link::SwitchReport report(double at_s) {
  link::SwitchReport r;
  r.address = "198.51.100.2";
  r.when = SystemTime(std::chrono::milliseconds(static_cast<std::int64_t>(at_s * 1000)));
  r.sys_uptime_s = at_s;
  r.ports = {port(1, "p1", "02:00:5e:10:00:01"), port(9, "up", "02:00:5e:10:00:02")};
  return r;
}

config::Design design() {
  config::Design d;
  d.switches = {{"hall", "", "198.51.100.2", {}, {"p1", "up"}, {{"up", "up", "core", 1'000'000'000}}, {}}};
  for (const auto& [id, mac] : {std::pair("gate", "02:00:5e:10:00:01"), std::pair("yard", "02:00:5e:10:00:02")}) {
    config::Camera c;
    c.id = id;
    c.hardware_address = mac;
    d.cameras.push_back(c);
  }
  return d;
}

}  // namespace

TEST_CASE("an uplink of the design leads to a switch, and only units of this switch are named") {
  const auto d = design();
  const auto answer = switch_answer(report(1), std::nullopt, &d);
  CHECK(answer.at("ports")[0].at("cameras") == nlohmann::json({"gate"}));
  CHECK(answer.at("ports")[1].at("leads_to") == "switch");
  CHECK(answer.at("ports")[1].at("cameras").empty());
  CHECK(switch_answer(report(1), std::nullopt, nullptr).at("ports")[1].at("leads_to") == "unit");
}

TEST_CASE("one look has no change; two have, and what they point to") {
  const auto one = switch_answer(report(1), std::nullopt, nullptr);
  CHECK(one.at("ports")[0].at("since_last_look").is_null());
  CHECK(one.at("ports")[0].at("unread").at("since_last_look") == "there was one look only");
  auto after = report(3);
  after.ports[0].in_octets = 250'000;
  after.ports[0].fcs_errors = 50;
  after.ports[0].in_packets = 950;
  after.ports[1].discontinuity = 7;
  const auto two = switch_answer(after, report(1), nullptr);
  CHECK(two.at("ports")[0].at("since_last_look").at("in_bps") == 1e6);
  CHECK(two.at("ports")[1].at("unread").at("since_last_look") == "its counters started anew between the looks");
  REQUIRE(two.at("findings").size() == 1);
  CHECK(two.at("findings")[0].at("id") == "link_dirty");
  CHECK(two.at("findings")[0].at("subject") == "port/p1");
}

TEST_CASE("ports of one name keep a change each") {
  auto before = report(1), after = report(2);
  for (auto* r : {&before, &after}) r->ports[1].name = "p1";
  after.ports[1].in_octets = 1000;
  const auto answer = switch_answer(after, before, nullptr);
  CHECK(answer.at("ports")[0].at("since_last_look").at("in_bps") == 0);
  CHECK(answer.at("ports")[1].at("since_last_look").at("in_bps") == 8000);
}
