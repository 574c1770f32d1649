// Limits of time and of the room come from the design alone; the times here are made up for arithmetic that can be done by hand.
#include "daemon/round/bench_clock.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace tallywire;
using namespace tallywire::round;
using namespace std::chrono_literals;

namespace {

const SystemTime noon = from_rfc3339("2026-11-25T12:00:00.000Z");
const std::string mac = "02:00:5e:10:00:01";

config::Design boxed_units() {
  config::Design d;
  config::Camera limited, free;
  limited.id = "quad";
  limited.place = "Hall";
  limited.address = "198.51.100.31";
  limited.hardware_address = mac;
  limited.bench_limit_s = 1800;
  limited.bench_ambient_min_c = 0;
  limited.bench_ambient_max_c = 40;
  free.id = "yard";
  free.address = "198.51.100.32";
  free.hardware_address = "02:00:5e:10:00:02";
  d.cameras = {limited, free};
  return d;
}

struct Site {
  config::Design design = boxed_units();
  Roll roll{design, {}, noon};
  std::map<std::string, std::vector<SystemTime>> starts;

  void hear(SystemTime when, const std::string& hardware = mac) { roll.see({hardware, "", when}); }
  void power_on(SystemTime when) {
    hear(when);
    starts["quad"].push_back(when);
  }
  void power_off(SystemTime when) {
    for (int s = 4; s <= 20; ++s) {
      for (const auto& due : roll.due_asks(when + std::chrono::seconds(s), 100, true)) roll.asked(due.camera, when + std::chrono::seconds(s));
      roll.tick(when + std::chrono::seconds(s), {"eth0"});
    }
    REQUIRE(roll.find("quad")->presence == Presence::lost);
  }
  std::vector<BenchClock> clocks(SystemTime now, const std::set<std::string>& cameras = {}) {
    return bench_clocks(design, {roll.entries(), starts, noon, now}, cameras);
  }
  BenchClock quad(SystemTime now) { return clocks(now).at(0); }
};

}  // namespace

TEST_CASE("a unit with a limit is awaited; one without, that was not seen, is not on the bench unless it is named") {
  Site site;
  const auto clocks = site.clocks(noon + 1s);
  REQUIRE(clocks.size() == 1);
  CHECK(clocks[0].camera == "quad");
  CHECK(clocks[0].state == BenchState::awaited);
  CHECK_FALSE(clocks[0].powered_for_s);
  CHECK_FALSE(clocks[0].left_s);
  REQUIRE(site.clocks(noon + 1s, {"yard"}).size() == 1);
  CHECK(site.clocks(noon + 1s, {"yard"})[0].camera == "yard");
}

TEST_CASE("the clock runs from the first frame: running, nearly from 80 % on, over from the limit on") {
  Site site;
  site.power_on(noon + 10s);
  const auto at = [&](std::chrono::milliseconds powered) { return site.quad(noon + 10s + powered); };
  CHECK(at(0s).state == BenchState::running);
  CHECK(at(0s).power_on_seen);
  CHECK(at(1439'999ms).state == BenchState::running);  // 80 % of 1800 s is 1440 s
  CHECK(bench_warning(at(1439s)).empty());
  CHECK(at(1440s).state == BenchState::nearly);
  CHECK(*at(1440s).left_s == Approx(360));
  CHECK(bench_warning(at(1440s)) == "quad has been powered for 24 min 0 s; its limit in the box is 30 min 0 s; come to an end, or take its power away");
  CHECK(at(1799'999ms).state == BenchState::nearly);
  CHECK_FALSE(at(1799s).went_over());
  CHECK(at(1800s).state == BenchState::over);
  CHECK(at(1800s).went_over());
  CHECK(*at(1860s).left_s == Approx(-60));
  CHECK(bench_warning(at(1860s)) == "quad has been powered for 31 min 0 s: its limit in the box is over, 30 min 0 s; take its power away and let it cool");
  CHECK(*at(0s).ambient_min_c == 0);
  CHECK(*at(0s).ambient_max_c == 40);
}

TEST_CASE("a unit without a limit gets none from us") {
  Site site;
  site.hear(noon + 1s, "02:00:5e:10:00:02");
  const auto yard = site.clocks(noon + 90'000s).at(1);
  CHECK(yard.state == BenchState::no_limit);
  CHECK(*yard.powered_for_s == Approx(89'999));
  CHECK_FALSE(yard.limit_s);
  CHECK_FALSE(yard.left_s);
  CHECK_FALSE(yard.went_over());
  CHECK(bench_warning(yard).empty());
  const nlohmann::json told = yard;
  CHECK(told.at("limit_s").is_null());
  CHECK(told.at("ambient_min_c").is_null());
}

TEST_CASE("a unit that came without a sign of a start was powered for at least so long") {
  Site site;
  site.hear(noon + 1s);  // it answered our ask, say
  CHECK_FALSE(site.quad(noon + 5s).power_on_seen);
  CHECK(bench_warning(site.quad(noon + 1501s)).find("quad has been powered for at least 25 min 0 s;") == 0);
}

TEST_CASE("a unit that an earlier run knew was here at least since we listen") {
  Site site;
  site.roll.restore(nlohmann::json::parse(R"([{"camera": "quad", "presence": "proven", "since": "2026-11-25T08:00:00.000Z"}])"), noon);
  site.starts["quad"] = {noon + 5s};
  const auto clock = site.quad(noon + 60s);
  CHECK(clock.state == BenchState::running);
  CHECK(clock.powered_since == noon);
  CHECK(*clock.powered_for_s == Approx(60));
  CHECK_FALSE(clock.power_on_seen);
}

TEST_CASE("a restart does not begin the clock anew, and is told; signs that belong to the power-on are not restarts") {
  Site site;
  site.power_on(noon);
  site.starts["quad"].push_back(noon + 12s);  // the same start, shown by another protocol
  CHECK(site.quad(noon + 100s).restarts.empty());
  site.starts["quad"].push_back(noon + 600s);
  const auto clock = site.quad(noon + 900s);
  REQUIRE(clock.restarts.size() == 1);
  CHECK(clock.restarts[0] == noon + 600s);
  CHECK(*clock.powered_for_s == Approx(900));
  CHECK(site.quad(noon + 1800s).state == BenchState::over);
}

TEST_CASE("a unit that is gone is off, with how long it was powered; back again its clock is new and its pause is told") {
  Site site;
  site.power_on(noon);
  site.hear(noon + 1700s);
  site.power_off(noon + 1700s);
  const auto off = site.quad(noon + 2000s);
  CHECK(off.state == BenchState::off);
  CHECK(*off.powered_for_s == Approx(1700));
  CHECK(off.off_since == noon + 1700s);
  CHECK_FALSE(off.went_over());  // the seconds in which it was missed do not count
  site.power_on(noon + 2060s);
  const auto back = site.quad(noon + 2070s);
  CHECK(back.state == BenchState::running);
  CHECK(back.power_on_seen);
  CHECK(back.restarts.empty());
  CHECK(*back.powered_for_s == Approx(10));
  CHECK(*back.off_before_s == Approx(360));
}

TEST_CASE("a unit that went off only after its limit went over") {
  Site site;
  site.power_on(noon);
  site.hear(noon + 1900s);
  site.power_off(noon + 1900s);
  CHECK(site.quad(noon + 5000s).state == BenchState::off);
  CHECK(site.quad(noon + 5000s).went_over());
}

TEST_CASE("a unit that was lost before we listened is off for nobody knows how long") {
  Site site;
  site.roll.restore(nlohmann::json::parse(R"([{"camera": "quad", "presence": "lost", "since": "2026-11-25T08:00:00.000Z"}])"), noon);
  const auto clock = site.quad(noon + 60s);
  CHECK(clock.state == BenchState::off);
  CHECK_FALSE(clock.powered_for_s);
  CHECK(clock.off_since == from_rfc3339("2026-11-25T08:00:00.000Z"));
}
