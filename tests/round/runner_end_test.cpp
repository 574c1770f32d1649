// How rounds end when something hangs, goes away or is stopped, and how two of them share the links.
#include "tests/round/scripted_site.hpp"

#include <catch2/catch.hpp>

#include <algorithm>

using namespace tallywire;
using namespace tallywire::round;
using namespace tallywire::round::scripted;
using namespace std::chrono_literals;
namespace asio = boost::asio;

namespace {

// Where a test says so, it is silent for an hour, or throws.
class Hanging : public Scripted {
 public:
  std::string at, unit;            // "look", "ask", "meter", "path", "volume"; empty unit: every one
  std::function<void()> when_there;
  bool breaks = false;

  asio::awaitable<void> hang(std::string where, std::string who) {
    if (where != at || (!unit.empty() && who != unit)) co_return;
    if (when_there) when_there();
    if (breaks) throw std::runtime_error("a bug in a probe");
    co_await pause_for(1h);
  }
  asio::awaitable<SwitchLook> look_at_switch(const config::Switch& sw, Stop& stop) override {
    co_await hang("look", sw.id);
    auto look = co_await Scripted::look_at_switch(sw, stop);
    co_return look;
  }
  asio::awaitable<Measured> ask_camera(const config::Camera& camera, Stop& stop) override {
    co_await hang("ask", camera.id);
    auto measured = co_await Scripted::ask_camera(camera, stop);
    co_return measured;
  }
  asio::awaitable<Measured> meter_stream(const config::Camera& camera, const config::Head& head, const config::Stream& s, Metering metering,
                                         Stop& stop) override {
    co_await hang("meter", camera.id);
    auto measured = co_await Scripted::meter_stream(camera, head, s, std::move(metering), stop);
    co_return measured;
  }
  asio::awaitable<Measured> measure_path(const config::FarEndAt&, double, double, Stop&) override {
    co_await hang("path", "");
    Measured out;
    out.readings = {read_number(config::far_end_subject, "tcp_goodput_bps", 5e8, "a bulk", now_utc())};
    co_return out;
  }
  asio::awaitable<Measured> measure_volume(const config::Recorder&, const config::Volume&, double, Stop&) override {
    co_await hang("volume", "");
    co_return Measured{};
  }
};

struct HangingRun : Run {
  Hanging hanging;
  double took_s = 0;
  HangingRun() {
    design.far_end = config::FarEndAt{"198.51.100.10", 7861, "key", "hall"};
    config::Volume volume;
    volume.id = "main";
    design.recorders = {{"recorder", "", "198.51.100.10", "hall", "p9", {volume}}};
    limits = {400ms, 400ms, 300ms, 300ms, 300ms, 100ms};
    keeper.arrive_all();
  }
  nlohmann::json round_until_end() {
    const auto begun = std::chrono::steady_clock::now();
    asio::io_context context;
    Runner runner(design, keeper, hanging, room, ears, stop, limits);
    nlohmann::json out;
    auto work = runner.run({});
    asio::co_spawn(context, std::move(work), [&out](std::exception_ptr e, nlohmann::json document) {
      if (e) std::rethrow_exception(e);
      out = std::move(document);
    });
    context.run();
    took_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - begun).count();
    return out;
  }
};

std::string reason_of(const nlohmann::json& round, const std::string& subject, const std::string& quantity) {
  for (const auto& v : round.at("verdicts"))
    if (v.at("subject") == subject && v.at("quantity") == quantity) return v.at("verdict") == "unread" ? v.at("reason") : v.at("verdict");
  return "no target";
}

// A site of twelve streams, whose uplink to this machine bears some of them at once: six of 40 Mbit/s, two of 15 Mbit/s.
config::Design narrow_site(std::uint64_t uplink_bps) {
  auto d = site();
  d.entry_switch.reset();
  d.switches[0].uplinks[0].speed_bps = uplink_bps;
  const auto one = d.cameras[0];
  d.cameras.clear();
  for (int i = 0; i < 12; ++i) {
    auto camera = one;
    camera.id = "c" + std::to_string(i);
    camera.hardware_address = "02:00:5e:10:00:" + std::to_string(10 + i);
    d.cameras.push_back(camera);
  }
  return d;
}

// Knows what it sends across the uplink at every instant.
class Counting : public Scripted {
 public:
  double load_bps = 0, fullest_bps = 0, sent_bps = 4.2e6;
  std::string heavy;        // this unit sends `heavy_bps`, and says so
  double heavy_bps = 0;
  bool told = false;
  double fullest_when_opened_bps = 0;  // since it was told
  std::vector<std::string> opened;

  asio::awaitable<SwitchLook> look_at_switch(const config::Switch& sw, Stop& stop) override {
    auto look = co_await Scripted::look_at_switch(sw, stop);
    look.ports["up"].in_bps = 0;
    look.ports["up"].out_bps = 0;
    co_return look;
  }
  asio::awaitable<Measured> meter_stream(const config::Camera& camera, const config::Head& head, const config::Stream& s, Metering metering,
                                         Stop& stop) override {
    const double sends_bps = camera.id == heavy ? heavy_bps : sent_bps;
    opened.push_back(camera.id);
    load_bps += sends_bps;
    fullest_bps = std::max(fullest_bps, load_bps);
    if (told) fullest_when_opened_bps = std::max(fullest_when_opened_bps, load_bps);
    if (camera.id == heavy) {
      co_await pause_for(10ms);  // those of the same turn are open by now
      metering.sends(heavy_bps);
      told = true;
    }
    co_await pause_for(200ms);
    load_bps -= sends_bps;
    auto measured = co_await Scripted::meter_stream(camera, head, s, std::move(metering), stop);
    co_return measured;
  }
};

}  // namespace

TEST_CASE("a unit that never answers is unread with the reason, and holds nobody up") {
  HangingRun run;
  run.hanging.at = "ask";
  run.hanging.unit = "yard";
  const auto round = run.round_until_end();
  CHECK(round.at("state") == "complete");
  CHECK(run.took_s < 5);
  CHECK(reason_of(round, "camera/yard", "clock_offset_s").find("did not end within") != std::string::npos);
  CHECK(run.keeper.roll().find("gate")->presence == Presence::proven);
  CHECK(reason_of(round, "camera/yard/head/1/stream/main", "payload_bps") == "met");
}

TEST_CASE("a stream that never ends is unread with the reason, and gives its room back") {
  HangingRun run;
  run.hanging.at = "meter";
  run.hanging.unit = "yard";
  const auto round = run.round_until_end();
  CHECK(round.at("state") == "complete");
  CHECK(run.took_s < 5);
  CHECK(reason_of(round, "camera/yard/head/1/stream/main", "payload_bps").find("did not end within") != std::string::npos);
  CHECK(reason_of(round, "camera/gate/head/1/stream/main", "payload_bps") == "met");
  CHECK(run.room.open() == 0);
}

TEST_CASE("a far end that goes away in the middle of a path costs the path and nothing else") {
  for (const bool breaks : {false, true}) {
    HangingRun run;
    run.hanging.at = "path";
    run.hanging.breaks = breaks;
    const auto round = run.round_until_end();
    CHECK(round.at("state") == "complete");
    CHECK(run.took_s < 12);  // three seconds are the path's own
    const auto why = reason_of(round, config::far_end_subject, "tcp_goodput_bps");
    CHECK(why.find(breaks ? "broke off: a bug in a probe" : "did not end within") != std::string::npos);
    CHECK(run.keeper.roll().find("gate")->presence == Presence::proven);
    CHECK(run.room.open() == 0);
  }
}

TEST_CASE("a stop in any phase ends the round within its limit, with what was read") {
  struct Phase {
    const char* at;
    std::size_t read;  // at least so many readings before the stop
  };
  for (const auto& [at, read] : {Phase{"look", 0}, Phase{"ask", 0}, Phase{"meter", 2}, Phase{"path", 20}, Phase{"volume", 21}}) {
    HangingRun run;
    run.limits = {1h, 1h, 1h, 1h, 1h, 100ms};
    run.hanging.at = at;
    std::size_t before = 0;
    run.hanging.when_there = [&run, &before] {
      before = run.ears.readings;
      run.stop.request();
    };
    INFO("stopped at " << at);
    const auto round = run.round_until_end();
    CHECK(round.at("state") == "cancelled");
    CHECK(run.took_s < 5);
    CHECK(before >= read);
    CHECK(run.ears.readings >= before);
    CHECK(run.room.open() == 0);
    CHECK(run.room.waiting() == 0);
  }
}

TEST_CASE("a prove beside a round is served first, and both together stay under the ceiling") {
  const auto design = narrow_site(15'000'000);
  Keeper keeper(design);
  for (int i = 0; i < 12; ++i) keeper.arrive("02:00:5e:10:00:" + std::to_string(10 + i));
  Counting counting;
  LinkRoom room;
  Ears whole_ears, prove_ears;
  Stop whole_stop, prove_stop;
  Runner whole(design, keeper, counting, room, whole_ears, whole_stop), prove(design, keeper, counting, room, prove_ears, prove_stop);
  asio::io_context context;
  std::vector<std::string> ended;
  const auto end_of = [&ended](const char* name) {
    return [&ended, name](std::exception_ptr e, nlohmann::json document) {
      if (e) std::rethrow_exception(e);
      CHECK(document.at("state") == "complete");
      for (const auto& v : document.at("verdicts"))
        if (v.at("subject").get<std::string>().find("/stream/") != std::string::npos) CHECK(v.at("verdict") == "met");
      ended.emplace_back(name);
    };
  };
  counting.when_metering = [&, begun = false]() mutable {
    if (std::exchange(begun, true)) return;
    auto work = prove.run({"prove", {"c11"}});
    asio::co_spawn(context, std::move(work), end_of("prove"));
  };
  auto work = whole.run({});
  asio::co_spawn(context, std::move(work), end_of("whole"));
  context.run();
  CHECK(ended == std::vector<std::string>{"prove", "whole"});
  CHECK(counting.fullest_bps > 8e6);
  CHECK(counting.fullest_bps <= 10.5e6);
  CHECK(std::count(counting.opened.begin(), counting.opened.end(), "c11") == 2);
  CHECK(whole_ears.replan.find("12 streams in 6 waves, 2 at once at most: switch/hall/uplink/up towards core has room for 11 Mbit/s") == 0);
}

TEST_CASE("a stream that runs over its promise is taken into account before the next is opened") {
  auto design = narrow_site(40'000'000);
  Keeper keeper(design);
  for (int i = 0; i < 12; ++i) keeper.arrive("02:00:5e:10:00:" + std::to_string(10 + i));
  Counting counting;
  counting.heavy = "c0";
  counting.heavy_bps = 12e6;
  LinkRoom room;
  Ears ears;
  Stop stop;
  Runner runner(design, keeper, counting, room, ears, stop);
  asio::io_context context;
  auto work = runner.run({});
  asio::co_spawn(context, std::move(work), [](std::exception_ptr e, nlohmann::json) {
    if (e) std::rethrow_exception(e);
  });
  context.run();
  CHECK(counting.opened.size() == 12);
  CHECK(counting.fullest_when_opened_bps > 20e6);
  CHECK(counting.fullest_when_opened_bps <= 28e6);
}

TEST_CASE("a stream is metered for whole GOPs, two of them at least") {
  CHECK(metering_seconds(std::nullopt, 25, 10) == 10);
  CHECK(metering_seconds(50, 25, 10) == 10);
  CHECK(metering_seconds(40, 15, 10) == Approx(4 * 40.0 / 15));
  CHECK(metering_seconds(250, 25, 10) == 20);
  CHECK(metering_seconds(1000, 25, 10) == 80);
  CHECK(metering_seconds(5000, 25, 10) == 120);
  CHECK(metering_seconds(50, 0, 10) == 10);
}
