#include "daemon/verdict/power.hpp"

#include "daemon/verdict/targets.hpp"

#include <catch2/catch.hpp>

#include <algorithm>

using namespace tallywire;
using namespace tallywire::verdict;

namespace {

const SystemTime noon = from_rfc3339("2026-11-25T12:00:00.000Z");

config::Camera camera(const char* id, std::optional<int> power_class, std::optional<double> worst_w) {
  config::Camera c;
  c.id = id;
  c.switch_id = "hall";
  c.port = id;
  c.power_class = power_class;
  c.worst_power_w = worst_w;
  return c;
}

config::Design site(std::vector<config::Camera> cameras, std::optional<double> budget_w) {
  config::Design d;
  d.switches = {{"hall", "", "198.51.100.2", config::SnmpAccess{}, {}, {}, budget_w}};
  d.cameras = std::move(cameras);
  return d;
}

Verdict judged(const config::Design& d, const std::string& quantity, const std::vector<Reading>& measured = {}) {
  auto readings = power_readings(d, measured, noon);
  for (const auto& v : judge_all(targets_of(d, {}), readings, noon))
    if (v.target.subject == "switch/hall" && v.target.quantity == quantity) return v;
  FAIL("no target " << quantity);
  return {};
}

std::vector<Reading> told_budget(double watts) { return {read_number("switch/hall", "power_budget_w", watts, "POWER-ETHERNET-MIB", noon)}; }

}  // namespace

// IEEE 802.3-2018 clauses 33 and 145; check-values section 10.
TEST_CASE("a class's watts at the unit follow from its watts at the switch, its voltage and its cable") {
  for (int n = 0; n <= 8; ++n) {
    CAPTURE(n);
    const auto* c = power_class(n);
    REQUIRE(c);
    const double current_a = c->source_w / c->source_v;
    CHECK(std::abs(c->source_w - current_a * current_a * c->loop_ohm - c->load_w) < 0.07);
  }
  CHECK_FALSE(power_class(9));
  CHECK_FALSE(power_class(-1));
}

// check-values section 10, "Solving from the load" (computed).
TEST_CASE("a load is solved back to what the switch must give") {
  struct Row {
    double load_w, volts, ohm, current_a, source_w, loss_w, load_v;
  };
  for (const auto& r : {Row{12.95, 44, 20, 0.3500, 15.40, 2.45, 37.00}, Row{25.5, 50, 12.5, 0.6000, 30.00, 4.50, 42.50},
                        Row{25.5, 54, 6.25, 0.5013, 27.07, 1.57, 50.87}, Row{51, 54, 6.25, 1.0793, 58.28, 7.28, 47.25},
                        Row{12, 53, 6.0, 0.2325, 12.32, 0.32, 51.60}}) {
    CAPTURE(r.load_w, r.volts, r.ohm);
    const auto fed = feed(r.load_w, r.volts, r.ohm);
    REQUIRE(fed);
    CHECK(fed->current_a == Approx(r.current_a).margin(0.00006));
    CHECK(fed->source_w == Approx(r.source_w).margin(0.006));
    CHECK(fed->loss_w == Approx(r.loss_w).margin(0.006));
    CHECK(fed->load_v == Approx(r.load_v).margin(0.006));
  }
  CHECK_FALSE(feed(25.5, 37, 20));
  CHECK(feed(10, 50, 0)->source_w == Approx(10));
}

TEST_CASE("a unit's worst draw has the loss of its class's longest cable, and stops at its class") {
  CHECK(*worst_draw(camera("a", 4, 25.5)).source_w == Approx(30.0).margin(0.001));
  CHECK(*worst_draw(camera("a", 4, {})).source_w == 30.0);
  const auto beyond = worst_draw(camera("a", 3, 20.0));
  CHECK(beyond.beyond_class);
  CHECK(*beyond.source_w == 15.4);
  // Without a class, the smallest that carries the load: 12.95 W is class 3, 13 W class 4.
  CHECK(worst_draw(camera("a", {}, 12.95)).by_class == 3);
  CHECK(worst_draw(camera("a", {}, 13)).by_class == 4);
  CHECK(worst_draw(camera("a", {}, 71.3)).by_class == 8);
  CHECK_FALSE(worst_draw(camera("a", {}, 72)).unread.empty());
  CHECK_FALSE(worst_draw(camera("a", {}, {})).unread.empty());
}

TEST_CASE("the budget of a switch is met, tight inside the reserve, missed, or unread where a unit's draw is not known") {
  const std::vector<config::Camera> two = {camera("a", 4, 25.5), camera("b", 3, 12.95)};  // 45.4 W at the switch
  CHECK(judged(site(two, 60), "worst_power_w").kind == Kind::met);
  CHECK(*judged(site(two, 60), "worst_power_w").reading.number() == Approx(45.4).margin(0.01));
  CHECK(judged(site(two, 50), "worst_power_w").kind == Kind::tight);  // reserve 20 %: 40 W
  CHECK(judged(site(two, 45), "worst_power_w").kind == Kind::missed);
  auto gap = two;
  gap.push_back(camera("c", {}, {}));
  const auto unknown = judged(site(gap, 60), "worst_power_w");
  CHECK(unknown.kind == Kind::unread);
  CHECK(unknown.reason.find("c: ") == 0);
}

TEST_CASE("the supply that the switch tells of itself is held against the same sum, with the same reserve") {
  const auto d = site({camera("a", 4, 25.5), camera("b", 3, 12.95)}, {});
  CHECK(judged(d, "power_left_w", told_budget(60)).kind == Kind::met);
  CHECK(*judged(d, "power_left_w", told_budget(60)).reading.number() == Approx(14.6).margin(0.01));
  CHECK(judged(d, "power_left_w", told_budget(56)).kind == Kind::tight);  // 0.8 · 56 W = 44.8 W
  CHECK(judged(d, "power_left_w", told_budget(44)).kind == Kind::missed);
  CHECK(judged(d, "power_left_w").kind == Kind::unread);
  const auto why = judged(d, "power_left_w", {unread("switch/hall", "power_budget_w", "the switch has no POWER-ETHERNET-MIB", noon)});
  CHECK(why.reason == "the switch has no POWER-ETHERNET-MIB");
}

TEST_CASE("a budget that is short is a finding once") {
  const auto d = site({camera("a", 4, 25.5)}, 20);
  const auto readings = power_readings(d, told_budget(20), noon);
  auto found = find_causes(judge_all(targets_of(d, {}), readings, noon), {});
  std::erase_if(found, [](const Finding& f) { return f.id != "power_short"; });
  REQUIRE(found.size() == 1);
  CHECK(found[0].evidence.size() == 2);
}

TEST_CASE("a switch that feeds no unit of the design has no power target") {
  auto by_injector = camera("a", 4, 25.5);
  by_injector.power_source = config::PowerSource::injector;
  CHECK(power_targets(site({by_injector}, 60)).empty());
}

TEST_CASE("a unit fed by an injector or a supply of its own is a point to look at, not a port to judge") {
  auto injector = camera("mast", 5, 31.0), supply = camera("gate", {}, 12.0);
  injector.power_source = config::PowerSource::injector;
  supply.power_source = config::PowerSource::auxiliary;
  const auto d = site({injector, supply, camera("hall", 4, 20.0)}, 60);
  for (const auto& t : targets_of(d, {}))
    if (t.quantity == "power_class") CHECK(t.subject == "camera/hall");
  const auto found = find_power_causes(d, {});
  REQUIRE(found.size() == 2);
  CHECK(found[0].id == "power_by_hand");
  CHECK(found[0].next_step.find("selector") != std::string::npos);
  CHECK(found[1].next_step.find("Class 2") != std::string::npos);
  CHECK(find_power_causes(d, {"hall"}).empty());
}

TEST_CASE("a unit that draws more than its class gives is told before it hangs") {
  const auto found = find_power_causes(site({camera("mast", 4, 31.0)}, 60), {});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "power_class_short");
  CHECK(found[0].sentence == "mast draws 31 W at worst, power class 4 gives it 25.5 W");
}
