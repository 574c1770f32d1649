#include "daemon/round/site_links.hpp"

#include "daemon/verdict/headroom.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::round;

namespace {

config::Stream stream(std::uint64_t bit_rate_bps) {
  config::Stream s;
  s.id = "main";
  s.bit_rate_bps = bit_rate_bps;
  return s;
}

config::Camera camera(const char* id, const char* at, const char* mac) {
  config::Camera c;
  c.id = id;
  c.switch_id = at;
  c.port = "p1";
  c.hardware_address = mac;
  c.link_speed_bps = 100'000'000;
  c.heads = {{"1", "", {stream(4'000'000)}}};
  return c;
}

// The yard's switch hangs below the hall's, where this machine and the way to the core are.
config::Design design() {
  config::Design d;
  d.switches = {{"hall", "", "198.51.100.2", config::SnmpAccess{}, {"p1", "yard", "up"}, {{"up", "up", "core", 1'000'000'000}}, {}},
                {"yard", "", "198.51.100.3", config::SnmpAccess{}, {"p1", "up"}, {{"up", "up", "hall", 100'000'000}}, {}}};
  d.entry_switch = "hall";
  d.cameras = {camera("mast", "yard", "02:00:5e:10:00:01"), camera("track", "hall", "02:00:5e:10:00:02")};
  return d;
}

// Links of this design: 0 hall to core, 1 core to hall, 2 yard to hall, 3 hall to yard, 4 mast, 5 track, 6 this machine in, 7 out.
using Way = std::vector<std::size_t>;

SwitchLook look_of(const std::string& port, std::optional<double> in_bps, std::optional<double> out_bps, double speed_bps) {
  SwitchLook look;
  look.ports[port].in_bps = in_bps;
  look.ports[port].out_bps = out_bps;
  look.ports[port].readings = {read_number("", "link_speed_bps", speed_bps, "IF-MIB", now_utc())};
  return look;
}

}  // namespace

TEST_CASE("a stream crosses its unit's link, the uplinks on the way one way each, and this machine's link") {
  const auto d = design();
  const SiteLinks links(d);
  CHECK(links.count() == 8);
  CHECK(links.way_in(d.cameras[0], nullptr) == Way{4, 2, 6});
  CHECK(links.way_in(d.cameras[1], nullptr) == Way{5, 6});
}

TEST_CASE("a unit that hangs on another switch than designed brings its streams from there") {
  const auto d = design();
  const SiteLinks links(d);
  Roll roll(d, {}, now_utc());
  roll.see({"02:00:5e:10:00:02", "198.51.100.32", now_utc()});
  roll.place("02:00:5e:10:00:02", "yard/p1");
  CHECK(links.way_in(d.cameras[1], &roll) == Way{5, 2, 6});
}

TEST_CASE("without an entry switch this machine is taken to be at the core") {
  auto d = design();
  d.entry_switch.reset();
  const SiteLinks links(d);
  CHECK(links.way_in(d.cameras[0], nullptr) == Way{4, 2, 0, 6});
}

TEST_CASE("the way to the far end goes out by this machine's link and on to the recorder's") {
  auto d = design();
  d.far_end = config::FarEndAt{"198.51.100.10", 7861, "key", "yard"};
  d.switches[1].uplinks.push_back({"rec", "rec", "recorder", 1'000'000'000});
  const SiteLinks links(d);
  CHECK(links.way_to_far_end() == Way{9, 3, 4});  // the new uplink is link 4, so that the later ones move by two
}

TEST_CASE("the switch's counters tell each way's load apart, and the slower of what it tells and the design is the speed") {
  const auto d = design();
  const SwitchLooks looks{{"yard", look_of("up", 3e6, 40e6, 1e9)}, {"hall", look_of("up", 5e6, 6e6, 1e8)}};
  const auto seen = SiteLinks(d).look({&looks, nullptr, {}, std::nullopt});
  CHECK(seen[2].load_bps == 40e6);  // what the yard's uplink sends goes towards the hall
  CHECK(seen[3].load_bps == 3e6);
  CHECK(seen[2].speed_bps == 100e6);
  CHECK(seen[0].speed_bps == 100e6);
  CHECK(seen[2].load_is_measured);
  CHECK(seen[2].ceiling_bps() == Approx(70e6));
}

TEST_CASE("a unit's own link is as fast as its port says, wherever it hangs") {
  const auto d = design();
  const SwitchLooks looks{{"hall", look_of("p1", 2e6, 0, 1e7)}};
  const auto seen = SiteLinks(d).look({&looks, nullptr, {}, std::nullopt});
  CHECK(seen[5].speed_bps == 10e6);
  CHECK(seen[5].load_bps == 2e6);
  CHECK(seen[4].speed_bps == 100e6);
}

TEST_CASE("where neither counters nor a tap tell, a link is taken to carry what the design records across it") {
  const auto d = design();
  const auto seen = SiteLinks(d).look({});
  const double one = verdict::designed_wire_bps(4e6);
  CHECK(seen[0].load_bps == Approx(2 * one));
  CHECK(seen[2].load_bps == Approx(one));
  CHECK(seen[3].load_bps == 0);
  CHECK(seen[4].load_bps == Approx(one));
  CHECK_FALSE(seen[2].load_is_measured);
  CHECK(seen[6].load_bps == 0);
}

TEST_CASE("what a tap reads of a stream goes before its design, and is at least what its links carry") {
  const auto d = design();
  const std::string subject = "camera/mast/head/1/stream/main";
  std::vector<Reading> tapped;
  for (const auto& [quantity, value] : {std::pair{"payload_bps", 5e6}, std::pair{"wire_bps", 5.5e6}, std::pair{"peak_bps_100ms", 9e6}})
    tapped.push_back(read_number(subject, quantity, value, "tap", now_utc()));
  const auto seen = SiteLinks(d).look({nullptr, nullptr, tapped, std::nullopt});
  CHECK(seen[2].load_bps == Approx(5.5e6));
  CHECK(seen[0].load_bps == Approx(5.5e6 + verdict::designed_wire_bps(4e6)));
  const SwitchLooks looks{{"yard", look_of("up", 0, 1e6, 1e9)}};
  CHECK(SiteLinks(d).look({&looks, nullptr, tapped, std::nullopt})[2].load_bps == Approx(5.5e6));
}

TEST_CASE("this machine's own link bounds too; where its speed is not known it bounds nothing") {
  const auto d = design();
  const auto seen = SiteLinks(d).look({nullptr, nullptr, {}, OwnLink{1e8, 20e6, 3e6}});
  CHECK(seen[6].speed_bps == 100e6);
  CHECK(seen[6].load_bps == 20e6);
  CHECK(seen[7].load_bps == 3e6);
  CHECK(SiteLinks(d).look({})[6].speed_bps == 0);
}
