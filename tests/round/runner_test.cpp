#include "tests/round/scripted_site.hpp"

#include <catch2/catch.hpp>

#include <set>

using namespace tallywire;
using namespace tallywire::round;
using namespace tallywire::round::scripted;
namespace asio = boost::asio;

namespace {

int count_of(const nlohmann::json& round, const char* kind) { return round.at("counts").at(kind).get<int>(); }

}  // namespace

TEST_CASE("a healthy site is met throughout, and its units are proven") {
  Run run;
  run.keeper.arrive_all();
  const auto round = run.round();
  CHECK(round.at("state") == "complete");
  CHECK(count_of(round, "missed") == 0);
  CHECK(count_of(round, "unread") == 0);
  CHECK(round.at("exit_code") == 0);
  CHECK(round.at("findings").empty());
  CHECK(run.keeper.roll().find("gate")->presence == Presence::proven);
  CHECK(run.ears.head.at("planned_s").get<double>() > 0);
  CHECK(run.ears.readings > 20);
}

TEST_CASE("a stream whose login is refused is unread with the reason, the rest is unhurt") {
  Run run;
  run.keeper.arrive_all();
  run.instruments.stream_fault = "login refused";
  const auto round = run.round();
  CHECK(count_of(round, "missed") == 0);
  CHECK(round.at("exit_code") == 3);
  CHECK(run.keeper.roll().find("gate")->presence == Presence::arrived);
}

TEST_CASE("a stream that breaks off proves nothing, whatever its first moments were") {
  Run run;
  run.design.limits.lost_after_s = 0.1;
  run.keeper.arrive_all();
  run.instruments.metered_over = std::chrono::milliseconds(20);  // of the 50 that it is metered
  const auto round = run.round();
  CHECK(count_of(round, "missed") == 0);
  CHECK(round.at("exit_code") == 3);
  CHECK(run.keeper.roll().find("gate")->presence == Presence::arrived);
  for (const auto& v : round.at("verdicts"))
    if (v.at("target").contains("text") && v.at("quantity") == "payload_bps") CHECK(v.at("reason").get<std::string>().starts_with("the stream broke off after 0.0 s"));
}

TEST_CASE("what an earlier round had proven is not proven when it could not be read") {
  Run run;
  run.keeper.arrive_all();
  run.keeper.judged("gate", Presence::proven, "", now_utc());
  run.instruments.stream_fault = "login refused";
  run.round();
  CHECK(run.keeper.roll().find("gate")->presence == Presence::arrived);
  CHECK(run.keeper.roll().find("gate")->reason.ends_with("unread"));
}

TEST_CASE("a probe that throws ends neither the round nor its neighbours") {
  Run run;
  run.keeper.arrive_all();
  run.instruments.throws = true;
  const auto round = run.round();
  CHECK(round.at("state") == "complete");
  CHECK(count_of(round, "unread") > 0);
  CHECK(run.instruments.streams_opened == 2);
}

TEST_CASE("a round of one unit opens nothing of another") {
  Run run;
  run.keeper.arrive_all();
  const auto round = run.round({"prove", {"gate"}});
  CHECK(run.instruments.streams_opened == 1);
  REQUIRE(round.at("roll").size() == 1);
  for (const auto& v : round.at("verdicts"))
    CHECK(v.at("subject").get<std::string>().rfind("camera/gate", 0) == 0);
}

TEST_CASE("a stop in the middle ends the round as cancelled, with what was read") {
  Run run;
  run.keeper.arrive_all();
  run.instruments.when_metering = [&run] { run.stop.request(); };
  const auto round = run.round();
  CHECK(round.at("state") == "cancelled");
  CHECK(run.ears.readings > 5);
}

TEST_CASE("a unit nobody saw is missed in presence and told as never arrived") {
  Run run;
  run.keeper.arrive_all();
  run.design.cameras.push_back(run.design.cameras[0]);
  auto& late = run.design.cameras.back();
  late.id = "late";
  late.hardware_address = "02:00:5e:10:00:03";
  late.address = "198.51.100.33";
  late.heads.clear();
  Keeper keeper(run.design);
  keeper.arrive_all();
  class Absent : public Scripted {
   public:
    asio::awaitable<Measured> ask_camera(const config::Camera& camera, Stop& stop) override {
      if (camera.id != "late") {
        auto measured = co_await Scripted::ask_camera(camera, stop);
        co_return measured;
      }
      Measured out;
      out.fault = Fault{FaultKind::unreachable, "no route", camera.address, ""};
      co_return out;
    }
  } absent;
  Runner runner(run.design, keeper, absent, run.room, run.ears, run.stop);
  asio::io_context context;
  nlohmann::json round;
  auto work = runner.run({});
  asio::co_spawn(context, std::move(work), [&round](std::exception_ptr e, nlohmann::json document) {
    if (e) std::rethrow_exception(e);
    round = std::move(document);
  });
  context.run();
  REQUIRE(round.at("findings").size() == 1);
  CHECK(round.at("findings")[0].at("id") == "never_arrived");
  CHECK(round.at("exit_code") == 1);
  CHECK(keeper.roll().find("late")->presence == Presence::awaited);
}

TEST_CASE("cameras the design does not know are named before a round begins") {
  CHECK(unknown_cameras(site(), {"prove", {"gate", "nobody"}}) == std::vector<std::string>{"nobody"});
}

TEST_CASE("a round that could not open the streams has its headroom by the tap that is held, and its verdicts do not") {
  Run run;
  run.keeper.arrive_all();
  run.instruments.stream_fault = "the unit takes no second session";
  for (const char* camera : {"gate", "yard"})
    for (const auto& [quantity, value] : {std::pair{"payload_bps", 4e6}, std::pair{"wire_bps", 4.5e6}, std::pair{"peak_bps_100ms", 6e6}})
      run.instruments.by_tap.push_back(read_number(std::string("camera/") + camera + "/head/1/stream/main", quantity, value, "", now_utc()));
  const auto round = run.round();
  const auto& row = round.at("headroom").at(0);
  CHECK(row.at("measured_bps") == 9e6);
  CHECK(row.at("streams_tapped") == 2);
  CHECK(row.at("method").get<std::string>().find("2 of 2 streams by the tap at") != std::string::npos);
  for (const auto& verdict : round.at("verdicts"))
    if (verdict.at("quantity") == "payload_bps") CHECK(verdict.at("verdict") == "unread");
  run.instruments.by_tap.clear();
  CHECK(run.round().at("headroom").at(0).at("measured_bps").is_null());
}

TEST_CASE("what the switch tells of its power and its links becomes verdicts and findings of the round") {
  Run run;
  for (auto& camera : run.design.cameras) camera.power_class = 4;  // 30 W each at the switch (IEEE 802.3 clause 33)
  run.design.switches[0].power_budget_w = 100;
  run.instruments.of_switch = {read_number("", "power_budget_w", 40, "POWER-ETHERNET-MIB", now_utc())};
  run.instruments.of_first_port = {read_number("", "offered_speed_bps", 2.5e9, "MAU-MIB", now_utc())};
  run.keeper.arrive_all();
  const auto told = [](const nlohmann::json& round, const std::string& quantity) -> std::string {
    for (const auto& v : round.at("verdicts"))
      if (v.at("quantity") == quantity) return v.at("verdict");
    return "no target";
  };
  const auto found = [](const nlohmann::json& round) {
    std::set<std::string> out;
    for (const auto& f : round.at("findings")) out.insert(f.at("id"));
    return out;
  };
  const auto whole = run.round();
  CHECK(told(whole, "worst_power_w") == "met");
  CHECK(told(whole, "power_left_w") == "missed");
  CHECK(found(whole).contains("power_short"));
  CHECK(found(whole).contains("link_below_offer"));
  RoundOrder one;
  one.cameras = {run.design.cameras[1].id};
  const auto part = run.round(one);
  CHECK(told(part, "power_left_w") == "no target");
  CHECK_FALSE(found(part).contains("link_below_offer"));
}
