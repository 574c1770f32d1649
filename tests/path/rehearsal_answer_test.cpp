// What a rehearsal is judged by, and when it does harm: pure rules.
#include "config/loader.hpp"
#include "daemon/round/rehearsal_answer.hpp"
#include "daemon/round/rehearsal_harm.hpp"
#include "daemon/verdict/rehearsal.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::verdict;

namespace {

const config::Design& depot() {
  static const auto loaded = config::load_design(TALLYWIRE_SOURCE_DIR "/config/sites/tram-depot.json");
  REQUIRE(loaded.design);
  return *loaded.design;
}

Kind judged(const RehearsedLoad& load) { return judge_rehearsal(nullptr, {}, load).front().kind; }

link::SwitchReport look(std::uint64_t discards, double uptime_s = 100) {
  link::SwitchReport out;
  out.sys_name = "yard";
  out.sys_uptime_s = uptime_s;
  for (const char* name : {"p1", "up"}) {
    link::SwitchPort port;
    port.name = name;
    port.index = static_cast<std::uint32_t>(out.ports.size() + 1);
    port.out_discards = name == std::string("up") ? discards : 0;
    port.in_errors = 0;
    out.ports.push_back(port);
  }
  return out;
}

}  // namespace

TEST_CASE("a path is met with its reserve, tight inside it, missed below the load, unread where nobody knows") {
  RehearsedLoad load;
  load.asked_bps = 100e6;
  load.carried_bps = 110.001e6;
  CHECK(judged(load) == Kind::met);
  load.carried_bps = 100e6;
  load.lost_bps = 105e6;
  CHECK(judged(load) == Kind::tight);
  load.carried_bps = 80e6;
  load.lost_bps = 84e6;
  CHECK(judged(load) == Kind::missed);
  load.carried_bps.reset();
  CHECK(judged(load) == Kind::missed);  // lost at the least
  load.lost_bps.reset();
  CHECK(judged(load) == Kind::unread);
  load.carried_bps = 60e6;
  load.broke_off = "it was stopped";
  CHECK(judged(load) == Kind::unread);
  CHECK(judge_rehearsal(nullptr, {}, load).front().reading.unread == "it was stopped");
  load.harm_bps = 80e6;
  load.broke_off.clear();
  CHECK(judged(load) == Kind::missed);  // live work was harmed at 80 %
}

TEST_CASE("each uplink on the way is held against what the design sends over it") {
  const auto& design = depot();
  const auto way = uplinks_between(design, "sw-yard", node_at(design, design.recorders.front().address));
  REQUIRE_FALSE(way.empty());
  round::MakeUp yard;
  yard.switch_id = "sw-yard";
  const auto plan = path::plan_rehearsal(round::made_up_of(design, yard), path::RehearsalPhases::random, 1);
  REQUIRE(plan.has_value());
  RehearsedLoad load;
  load.asked_bps = path::mean_wire_bps(*plan, 1);
  load.carried_bps = 1.2 * load.asked_bps;
  const auto verdicts = judge_rehearsal(&design, way, load);
  REQUIRE(verdicts.size() == way.size() + 1);
  CHECK(verdicts[0].kind == Kind::met);
  CHECK(verdicts[1].target.subject == "switch/sw-yard/uplink/up");
  CHECK(verdicts[1].kind == Kind::met);
  // Half as much again is asked of it: what was carried is less.
  load.asked_scale = 1.5;
  CHECK(judge_rehearsal(&design, way, load)[1].kind == Kind::unread);
}

TEST_CASE("every stream of the design is made up, and those of one switch alone") {
  const auto& design = depot();
  std::size_t all = 0, yard = 0;
  for (const auto& camera : design.cameras)
    for (const auto& head : camera.heads) {
      all += head.streams.size();
      if (camera.switch_id == "sw-yard") yard += head.streams.size();
    }
  round::MakeUp make_up;
  make_up.scale = 1.5;
  const auto streams = round::made_up_of(design, make_up);
  REQUIRE(streams.size() == all);
  // The first of the sample site: 12 frames/s, 24 in a GOP, 1800 kbit/s, capped, on a link of 1 Gbit/s; four heads on one link.
  CHECK(streams[0].name == "hall-quad/1/main");
  CHECK(streams[0].frame_rate_hz == 12);
  CHECK(streams[0].gop_frames == 24);
  CHECK(streams[0].payload_bps == 2'700'000);
  CHECK_FALSE(streams[0].constant);
  CHECK(streams[0].link_bps == 1e9);
  CHECK(streams[3].unit == streams[0].unit);
  CHECK(streams[4].unit != streams[0].unit);
  make_up.switch_id = "sw-yard";
  CHECK(round::made_up_of(design, make_up).size() == yard);
}

TEST_CASE("headroom's figure of made-up streams is never below what they do at their phases") {
  std::vector<path::MadeUpStream> streams(40);
  for (std::size_t i = 0; i < streams.size(); ++i) {
    streams[i].payload_bps = 1e6;
    streams[i].unit = i;
  }
  for (const std::uint64_t seed : {1, 2, 3, 4, 5}) {
    const auto plan = path::plan_rehearsal(streams, path::RehearsalPhases::random, seed);
    std::vector<StreamWindows> windows;
    for (const auto& s : plan->streams) windows.push_back({path::windows_of(s, 1, false), path::mean_wire_bps(s, 1, false)});
    const auto busiest = busiest_of(windows, 1e-6);
    CHECK(busiest.bps >= path::busiest_window_bps(*plan, 1, 4));
    CHECK(busiest.bps <= 40 * static_cast<double>(windows[0].windows.back().octets) * 80 * 1.0001);
  }
}

TEST_CASE("any test packet that is lost beside the streams is harm") {
  using round::harm_by_packets;
  CHECK_FALSE(harm_by_packets({}, {100, 98, 0}));  // two are under way
  const auto harm = harm_by_packets({}, {100, 97, 1});
  REQUIRE(harm);
  CHECK(harm->find("1 of 100") != std::string::npos);
  CHECK_FALSE(harm_by_packets({100, 97, 1}, {200, 197, 1}));  // lost before it began
  CHECK(harm_by_packets({100, 97, 1}, {200, 195, 3})->find("2 of 100") != std::string::npos);
}

TEST_CASE("new discards or errors at an uplink are harm, and counters that began anew are none") {
  using round::harm_by_counters;
  CHECK_FALSE(harm_by_counters(look(7), look(7), {"up"}));
  const auto harm = harm_by_counters(look(7), look(19), {"up"});
  REQUIRE(harm);
  CHECK(harm->find("switch yard, port up: 12 new discards") != std::string::npos);
  CHECK_FALSE(harm_by_counters(look(7), look(19), {"p1"}));      // another port's
  CHECK(harm_by_counters(look(7), look(19), {}));
  CHECK_FALSE(harm_by_counters(look(7, 100), look(3, 5), {}));   // the switch has started anew
  CHECK(harm_by_counters(look(4'294'967'290), look(4), {})->find("10 new discards") != std::string::npos);  // RFC 2863 §3.1.6
  auto restarted = look(3);
  restarted.ports[1].discontinuity = 99;
  CHECK_FALSE(harm_by_counters(look(7), restarted, {}));
  auto errors = look(7);
  errors.ports[1].in_errors = 2;
  CHECK(harm_by_counters(look(7), errors, {})->find("2 new errors") != std::string::npos);
}
