#include "daemon/round/runner.hpp"

#include "probes/deadline.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <catch2/catch.hpp>

#include <set>

using namespace tallywire;
using namespace tallywire::round;
namespace asio = boost::asio;

namespace {

config::Design site() {
  config::Design d;
  d.site.name = "a site";
  d.switches = {{"hall", "", "198.51.100.2", config::SnmpAccess{}, {"p1", "p2"},
                 {{"up", "up", "core", 1'000'000'000}}, {}}};
  d.entry_switch = "hall";
  d.limits.stream_seconds = 0.05;
  for (const char* id : {"gate", "yard"}) {
    config::Camera camera;
    camera.id = id;
    camera.switch_id = "hall";
    camera.port = id == std::string("gate") ? "p1" : "p2";
    camera.link_speed_bps = 1'000'000'000;
    camera.hardware_address = id == std::string("gate") ? "02:00:5e:10:00:01" : "02:00:5e:10:00:02";
    config::Stream s;
    s.id = "main";
    s.codec = "H264";
    s.width_px = 1920;
    s.height_px = 1080;
    s.frame_rate_hz = 25;
    s.bit_rate_bps = 4'000'000;
    camera.heads = {{"1", "", {s}}};
    d.cameras.push_back(camera);
  }
  return d;
}

// A site that answers as told: everything right, but for what a test breaks.
class Scripted : public Instruments {
 public:
  int streams_opened = 0;
  std::function<void()> when_metering;
  std::string stream_fault;
  bool throws = false;
  std::vector<Reading> by_tap;
  std::vector<Reading> tapped() override { return by_tap; }

  asio::awaitable<Measured> ask_camera(const config::Camera& camera, Stop&) override {
    Measured out;
    out.readings.push_back(
        read_number(config::subject_of(camera), "clock_offset_s", 0.1, "asked", now_utc()));
    co_return out;
  }
  asio::awaitable<Measured> meter_stream(const config::Camera& camera, const config::Head& head,
                                         const config::Stream& s, double, Stop&) override {
    ++streams_opened;
    if (when_metering) when_metering();
    co_await pause_for(std::chrono::milliseconds(5));
    if (throws) throw std::logic_error("a bug in a probe");
    Measured out;
    const auto subject = config::subject_of(camera, head, s);
    const auto now = now_utc();
    if (!stream_fault.empty()) {
      out.fault = Fault{FaultKind::refused, stream_fault, camera.address, ""};
      for (const char* q : {"codec", "payload_bps"}) out.readings.push_back(unread(subject, q, stream_fault, now));
      co_return out;
    }
    out.readings = {read_word(subject, "codec", "H264", "SDP", now),
                    read_number(subject, "width_px", 1920, "SPS", now),
                    read_number(subject, "height_px", 1080, "SPS", now),
                    read_number(subject, "frame_rate_hz", 25, "RTP", now),
                    read_number(subject, "payload_bps", 4e6, "RTP", now),
                    read_number(subject, "wire_bps", 4.2e6, "RTP", now),
                    read_number(subject, "peak_bps_100ms", 6e6, "RTP", now),
                    read_number(subject, "loss_ratio", 0, "RTP", now),
                    read_number(subject, "jitter_ms", 1, "RTP", now)};
    co_return out;
  }
  std::vector<Reading> of_switch, of_first_port;
  asio::awaitable<SwitchLook> look_at_switch(const config::Switch&, Stop&) override {
    SwitchLook look;
    look.learnt = {{"02:00:5e:10:00:01", "p1"}, {"02:00:5e:10:00:02", "p2"}};
    for (const char* port : {"p1", "p2"})
      look.ports[port].readings = {read_number("", "link_speed_bps", 1e9, "IF-MIB", now_utc())};
    look.ports["p1"].readings.insert(look.ports["p1"].readings.end(), of_first_port.begin(), of_first_port.end());
    look.readings = of_switch;
    co_return look;
  }
  asio::awaitable<Measured> measure_path(const config::FarEndAt&, double, double, Stop&) override {
    co_return Measured{};
  }
  asio::awaitable<Measured> measure_volume(const config::Recorder&, const config::Volume&, double,
                                           Stop&) override {
    co_return Measured{};
  }
};

class Keeper : public RollKeeper {
 public:
  explicit Keeper(const config::Design& design) : roll_(design, {}, now_utc()) {}
  const Roll& roll() const override { return roll_; }
  void heard(const std::string& camera) override { roll_.heard(camera, now_utc()); }
  void place(const std::string& mac, const std::string& on) override { roll_.place(mac, on); }
  void judged(const std::string& camera, bool wanting, const std::string& reason) override {
    roll_.judged(camera, wanting, reason, now_utc());
  }
  void port_down(const std::string& port) override { roll_.port_down(port, now_utc()); }
  void not_a_unit(const std::string& address) override { roll_.not_a_unit(address); }
  std::vector<verdict::Finding> findings() const override { return found; }
  std::vector<verdict::Finding> found;
  void arrive_all() {
    roll_.see({"02:00:5e:10:00:01", "198.51.100.31", now_utc()});
    roll_.see({"02:00:5e:10:00:02", "198.51.100.32", now_utc()});
  }

 private:
  Roll roll_;
};

class Ears : public RoundListener {
 public:
  nlohmann::json head;
  std::size_t readings = 0;
  void planned(const nlohmann::json& h) override { head = h; }
  void progressed(double, double, const std::string&) override {}
  void read(const std::vector<Reading>& r) override { readings += r.size(); }
};

struct Run {
  config::Design design = site();
  Scripted instruments;
  Ears ears;
  Stop stop;
  Keeper keeper{design};

  nlohmann::json round(RoundOrder order = {}) {
    asio::io_context context;
    Runner runner(design, keeper, instruments, ears, stop);
    nlohmann::json out;
    auto work = runner.run(std::move(order));
    asio::co_spawn(context, std::move(work), [&out](std::exception_ptr e, nlohmann::json document) {
      if (e) std::rethrow_exception(e);
      out = std::move(document);
    });
    context.run();
    return out;
  }
};

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
  Runner runner(run.design, keeper, absent, run.ears, run.stop);
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
