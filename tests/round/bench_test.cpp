#include "daemon/round/bench.hpp"

#include <boost/asio/io_context.hpp>
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace tallywire;
using namespace tallywire::round;
using namespace std::chrono_literals;
namespace asio = boost::asio;

namespace {

const std::string mac = "02:00:5e:10:00:01";

config::Design one_unit() {
  config::Design d;
  config::Camera c;
  c.id = "quad";
  c.address = "198.51.100.31";
  c.hardware_address = mac;
  c.serial = "TD-0036";
  c.firmware = "7.2.1";
  c.heads.resize(4);
  c.bench_limit_s = 100;
  d.cameras = {c};
  return d;
}

// Answers as it is told to, and counts how often it was asked.
class Scripted : public Instruments {
 public:
  int asked = 0;
  std::optional<Fault> fault;
  bool throws = false;
  std::string firmware = "7.2.1", login_unread;
  double heads = 4;

  asio::awaitable<Measured> ask_camera(const config::Camera& camera, Stop&) override {
    ++asked;
    if (throws) throw std::runtime_error("a bug");
    Measured out;
    out.fault = fault;
    const auto subject = config::subject_of(camera);
    const auto now = now_utc();
    if (!login_unread.empty()) {
      for (const char* q : {"serial", "model", "firmware", "heads"}) out.readings.push_back(unread(subject, q, login_unread, now));
    } else if (!fault) {
      out.readings = {read_word(subject, "serial", "TD-0036", "", now), read_word(subject, "model", "a model", "", now),
                      read_word(subject, "firmware", firmware, "", now), read_number(subject, "heads", heads, "", now)};
    }
    co_return out;
  }
  asio::awaitable<Measured> meter_stream(const config::Camera&, const config::Head&, const config::Stream&, Metering, Stop&) override { co_return Measured{}; }
  asio::awaitable<SwitchLook> look_at_switch(const config::Switch&, Stop&) override { co_return SwitchLook{}; }
  asio::awaitable<Measured> measure_path(const config::FarEndAt&, double, double, Stop&) override { co_return Measured{}; }
  asio::awaitable<Measured> measure_volume(const config::Recorder&, const config::Volume&, double, Stop&) override { co_return Measured{}; }
};

struct Table {
  SystemTime begin = now_utc();  // simulated from here on
  asio::io_context context{1};
  config::Design design = one_unit();
  Roll roll{design, {}, begin};
  Scripted instruments;
  std::map<std::string, std::vector<SystemTime>> starts;
  std::vector<std::pair<BenchState, double>> warnings;
  Bench bench{context.get_executor(),
              {design, roll, instruments, [this] { return starts; }, begin,
               [this](const BenchClock& clock) { warnings.emplace_back(clock.state, *clock.powered_for_s); }}};

  void power_on(SystemTime when) {
    starts["quad"].push_back(when);
    roll.see({mac, "198.51.100.31", when});
  }
  nlohmann::json look(std::chrono::seconds after) {
    bench.answer(begin + after);
    bench.look(begin + after);
    context.restart();
    context.poll();
    return bench.answer(begin + after);
  }
};

}  // namespace

TEST_CASE("one warning at 80 % and one at the limit, and none while no bench runs") {
  Table table;
  table.power_on(table.begin);
  for (int s = 0; s <= 120; s += 10) table.look(std::chrono::seconds(s));
  CHECK(table.warnings.empty());
  CHECK(table.instruments.asked == 0);
  REQUIRE(table.bench.start({"quad"}).has_value());
  table.warnings.clear();
  table.power_on(table.begin);
  for (int s = 0; s <= 120; ++s) table.look(std::chrono::seconds(s));
  REQUIRE(table.warnings.size() == 2);
  CHECK(table.warnings[0] == std::pair{BenchState::nearly, 80.0});
  CHECK(table.warnings[1] == std::pair{BenchState::over, 100.0});
  CHECK(table.look(121s).at("exit_code") == 1);
  table.bench.end();
  CHECK(table.look(122s).at("bench").is_null());
}

TEST_CASE("a bench that begins beyond the limit warns of that alone") {
  Table table;
  table.power_on(table.begin);
  REQUIRE(table.bench.start({}).has_value());
  table.look(150s);
  REQUIRE(table.warnings.size() == 1);
  CHECK(table.warnings[0].first == BenchState::over);
}

TEST_CASE("a unit is asked once in its stay, and held against the design") {
  Table table;
  REQUIRE(table.bench.start({}).has_value());
  CHECK(table.look(0s).at("exit_code") == 3);  // nobody is there
  table.power_on(table.begin + 1s);
  for (int s = 2; s < 40; ++s) table.look(std::chrono::seconds(s));
  CHECK(table.instruments.asked == 1);
  const auto answer = table.look(40s);
  const auto& unit = answer.at("units").at(0);
  CHECK(unit.at("model") == "a model");
  CHECK(unit.at("heads") == 4);
  REQUIRE(unit.at("verdicts").size() == 3);
  for (const auto& v : unit.at("verdicts")) CHECK(v.at("verdict") == "met");
  CHECK(answer.at("exit_code") == 0);
}

TEST_CASE("another firmware and a missing head are missed, with a finding each") {
  Table table;
  table.instruments.firmware = "7.1";
  table.instruments.heads = 3;
  REQUIRE(table.bench.start({}).has_value());
  table.power_on(table.begin);
  table.look(1s);
  const auto answer = table.look(2s);
  CHECK(answer.at("exit_code") == 1);
  REQUIRE(answer.at("findings").size() == 2);
  CHECK(answer.at("findings")[0].at("sentence") == "quad runs firmware 7.1, the design says 7.2.1");
  CHECK(answer.at("findings")[1].at("sentence") == "quad tells of 3 heads, the design has 4");
}

TEST_CASE("a unit that still boots is tried again, ever more rarely, until it answers or for five minutes") {
  Table table;
  table.design.cameras[0].bench_limit_s = 100'000;
  table.instruments.fault = Fault{FaultKind::unreachable, "the unit refuses connections", "", ""};
  REQUIRE(table.bench.start({}).has_value());
  table.power_on(table.begin);
  for (int s = 0; s < 60; ++s) table.look(std::chrono::seconds(s));
  CHECK(table.instruments.asked == 4);  // at 0, 5, 15 and 35 s
  const auto reason = table.look(60s).at("units")[0].at("verdicts")[0].at("reason").get<std::string>();
  CHECK(reason.find("asked again: the unit refuses connections") != std::string::npos);
  SECTION("it answers") {
    table.instruments.fault.reset();
    for (int s = 61; s < 400; ++s) table.look(std::chrono::seconds(s));
    CHECK(table.instruments.asked == 5);
    CHECK(table.look(400s).at("exit_code") == 0);
  }
  SECTION("it never does") {
    for (int s = 61; s < 900; ++s) table.look(std::chrono::seconds(s));
    CHECK(table.instruments.asked <= 14);
    const auto answer = table.look(900s);
    CHECK(answer.at("exit_code") == 3);
    CHECK(answer.at("units")[0].at("verdicts")[0].at("reason").get<std::string>().find("did not answer for 5 min") != std::string::npos);
    const int before = table.instruments.asked;
    for (int s = 901; s < 1000; ++s) table.look(std::chrono::seconds(s));
    CHECK(table.instruments.asked == before);
  }
}

TEST_CASE("a refused login is not tried again in the same stay") {
  Table table;
  table.instruments.login_unread = "login refused";
  REQUIRE(table.bench.start({}).has_value());
  table.power_on(table.begin);
  for (int s = 0; s < 90; ++s) table.look(std::chrono::seconds(s));
  CHECK(table.instruments.asked == 1);
  const auto answer = table.look(90s);
  CHECK(answer.at("exit_code") == 3);
  CHECK(answer.at("findings")[0].at("id") == "login_refused");
}

TEST_CASE("a bug in asking leaves the unit unread and the bench running") {
  Table table;
  table.instruments.throws = true;
  REQUIRE(table.bench.start({}).has_value());
  table.power_on(table.begin);
  table.look(0s);
  const auto answer = table.look(1s);
  CHECK_FALSE(answer.at("bench").is_null());
  CHECK(answer.at("units")[0].at("verdicts")[0].at("reason").get<std::string>().find("a bug") != std::string::npos);
}

TEST_CASE("a bench that nobody looks at ends, and cameras must be of the design") {
  Table table;
  CHECK(table.bench.start({"nobody"}).error().kind == FaultKind::bad_request);
  REQUIRE(table.bench.start({}).has_value());
  table.power_on(table.begin);
  table.bench.look(table.begin + 59s);
  CHECK_FALSE(table.bench.finished());
  table.bench.look(table.begin + 75s);
  table.context.poll();
  CHECK(table.bench.finished());
}
