// The rule of docs/drift.md, case by case. Its figures are the project's own.
#include "daemon/verdict/drift.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::verdict;
using nlohmann::json;

namespace {

const std::string unit = "camera/gate-north", main_stream = unit + "/head/1/stream/main";

SystemTime at(int night) { return SystemTime(std::chrono::seconds(1'764'120'600) + std::chrono::hours(24 * night)); }

RoundRead round_of(int night, std::vector<Reading> readings, std::string hours = "night") {
  for (auto& reading : readings) reading.when = at(night);
  return {night + 1, at(night), std::move(hours), std::move(readings)};
}

Reading word(const std::string& subject, const char* quantity, const char* value) { return read_word(subject, quantity, value, "", {}); }
Reading number(const std::string& subject, const char* quantity, double value) { return read_number(subject, quantity, value, "", {}); }

std::vector<Reading> healthy() {
  return {word(unit, "presence", "arrived"), number(unit, "link_speed_bps", 1e9), word(unit, "firmware", "1.0"), word(main_stream, "codec", "H264"),
          number(main_stream, "frame_rate_hz", 25), number(main_stream, "payload_bps", 4e6), number(main_stream, "loss_ratio", 0)};
}

std::vector<Reading> with(Reading other) {
  auto out = healthy();
  for (auto& reading : out)
    if (reading.subject == other.subject && reading.quantity == other.quantity) reading = other;
  return out;
}

struct Nights {
  Drift drift{round_of(0, healthy()), config::Design{}};
  DriftMemory memory;
  int night = 0;
  DriftOfRound next(std::vector<Reading> readings, std::string hours = "night") {
    ++night;
    // What is kept between two nights is all that is needed.
    if (night > 1) memory = drift_memory_of(json::parse(to_json(memory).dump()));
    return drift.next(round_of(night, std::move(readings), std::move(hours)), memory);
  }
};

}  // namespace

TEST_CASE("what does not scatter is told in the same round, and ends when it stays as accepted") {
  Nights nights;
  CHECK(nights.next(healthy()).rows.empty());
  const auto slow = nights.next(with(number(unit, "link_speed_bps", 1e8)));
  REQUIRE(slow.begun.size() == 1);
  CHECK(json(slow.begun[0]) == json{{"subject", unit}, {"aspect", "link"}, {"quantity", "link_speed_bps"}, {"was", 1e9}, {"is", 1e8}, {"tolerance", nullptr},
                                    {"nights", 1}, {"text", "gate-north, link speed: 100 Mbit/s, was 1 Gbit/s"}});
  CHECK(nights.next(with(number(unit, "link_speed_bps", 1e8))).rows.at(0).nights == 2);
  const auto back = nights.next(healthy());
  CHECK(back.ended.empty());
  REQUIRE(back.rows.size() == 1);
  CHECK(back.rows[0].is == 1e9);  // beside the words that it is as accepted again
  const auto again = nights.next(with(number(unit, "link_speed_bps", 1e8)));
  CHECK(again.begun.empty());
  CHECK(again.again.size() == 1);
  nights.next(healthy());
  const auto over = nights.next(healthy());
  REQUIRE(over.ended.size() == 1);
  CHECK(over.rows.empty());
}

TEST_CASE("a unit that is gone is one row, whatever it no longer sends") {
  Nights nights;
  const auto gone = nights.next({word(unit, "presence", "lost"), unread(unit, "link_speed_bps", "gone", {}), unread(main_stream, "codec", "gone", {})});
  REQUIRE(gone.rows.size() == 1);
  CHECK(gone.rows[0].text == "gate-north is lost, was arrived");
}

TEST_CASE("what can no longer be read is told after three rounds, once a subject") {
  Nights nights;
  std::vector<Reading> dark = healthy();
  for (auto& reading : dark)
    if (reading.subject == main_stream) reading = unread(main_stream, reading.quantity, "the login was refused", {});
  CHECK(nights.next(dark).rows.empty());
  CHECK(nights.next(dark).rows.empty());
  const auto told = nights.next(dark);
  REQUIRE(told.begun.size() == 1);
  CHECK(told.begun[0].is.is_null());
  CHECK(told.begun[0].nights == 3);
  CHECK(told.begun[0].text.ends_with("cannot be read any more: the login was refused"));
}

TEST_CASE("a measured setting is told when three rounds in a row lie beyond it, and not after one bad night") {
  Nights nights;
  CHECK(nights.next(with(number(main_stream, "frame_rate_hz", 12.5))).rows.empty());
  CHECK(nights.next(healthy()).rows.empty());
  for (int i = 0; i < 2; ++i) CHECK(nights.next(with(number(main_stream, "frame_rate_hz", 12.5))).rows.empty());
  CHECK(nights.next(with(number(main_stream, "frame_rate_hz", 12.5))).begun.size() == 1);
  CHECK(nights.next(with(number(main_stream, "frame_rate_hz", 26.9))).rows.size() == 1);  // inside 10 %, not yet for long
}

TEST_CASE("a bit rate is told when ten of fourteen nights agree, and days are not held against nights") {
  Nights nights;
  const auto rate = [&](double bps) { return with(number(main_stream, "payload_bps", bps)); };
  for (int i = 0; i < 14; ++i) CHECK(nights.next(rate(i % 2 ? 4.1e6 : 3.9e6)).rows.empty());
  for (int i = 0; i < 20; ++i) CHECK(nights.next(rate(12e6), "12-18").rows.empty());  // the days have a level of their own
  for (int i = 0; i < 9; ++i) CHECK(nights.next(rate(9e6)).rows.empty());
  const auto told = nights.next(rate(9e6));
  REQUIRE(told.begun.size() == 1);
  CHECK(told.begun[0].aspect == "bit_rate");
  CHECK(told.begun[0].was.get<double>() == Catch::Detail::Approx(3.95e6).epsilon(0.002));
  CHECK(told.begun[0].is.get<double>() == Catch::Detail::Approx(9e6).epsilon(0.002));
  CHECK(told.begun[0].tolerance == 0.5);
  CHECK(told.begun[0].nights == 10);
}

TEST_CASE("four lossy nights of seven are told, three are not") {
  Nights nights;
  const auto loss = [&](double ratio) { return with(number(main_stream, "loss_ratio", ratio)); };
  for (const double ratio : {0.0, 0.01, 0.0, 0.01, 0.0, 0.0, 0.01}) CHECK(nights.next(loss(ratio)).rows.empty());
  nights.next(loss(0.01));
  CHECK(nights.next(loss(0.01)).rows.size() == 1);
}

TEST_CASE("a newly accepted round begins the memory anew; an older round changes nothing") {
  Nights nights;
  nights.next(with(word(unit, "firmware", "2.0")));
  CHECK(nights.memory.open.size() == 1);
  const auto before = to_json(nights.memory);
  CHECK(nights.drift.next(round_of(1, healthy()), nights.memory).rows.size() == 1);
  CHECK(to_json(nights.memory) == before);
  const Drift newer(round_of(1, with(word(unit, "firmware", "2.0"))), config::Design{});
  CHECK(newer.next(round_of(2, with(word(unit, "firmware", "2.0"))), nights.memory).rows.empty());
  CHECK(nights.memory.accepted == 2);
}

TEST_CASE("what changed between two rounds: readings beyond the tolerances, verdicts, findings") {
  RoundTold was{round_of(0, healthy())}, is{round_of(1, with(number(main_stream, "payload_bps", 5.9e6)))};
  was.verdicts = {{{"subject", unit}, {"quantity", "link_speed_bps"}, {"verdict", "met"}, {"reason", ""}}};
  is.verdicts = {{{"subject", unit}, {"quantity", "link_speed_bps"}, {"verdict", "missed"}, {"reason", "too slow"}}};
  is.findings = {{{"id", "port_slow"}, {"subject", unit}, {"sentence", "the port is slow"}}};
  auto rows = changes_between(was, is, config::Design{});
  REQUIRE(rows.size() == 2);  // 5.9 against 4 Mbit/s is within half as much again
  CHECK(rows[0].text == "gate-north, link speed is missed, was met: too slow");
  CHECK(rows[1].aspect == "finding");
  is.round = round_of(1, with(number(main_stream, "payload_bps", 6.1e6)));
  CHECK(changes_between(was, is, config::Design{}).size() == 3);
  CHECK(changes_between(was, was, config::Design{}).empty());
}

TEST_CASE("a unit that is not there in one of two rounds is told by its presence alone, either way round") {
  const auto verdict = [](const std::string& subject, const char* quantity, const char* v) {
    return json{{"subject", subject}, {"quantity", quantity}, {"verdict", v}, {"reason", ""}};
  };
  RoundTold there{round_of(0, healthy())}, gone{round_of(1, {word(unit, "presence", "lost"), unread(unit, "link_speed_bps", "gone", {})})};
  there.verdicts = {verdict(unit, "presence", "met"), verdict(main_stream, "codec", "met"), verdict("camera/gate-northern", "codec", "met")};
  gone.verdicts = {verdict(unit, "presence", "missed"), verdict(main_stream, "codec", "unread"), verdict("camera/gate-northern", "codec", "missed")};
  there.findings = {{{"id", "port_slow"}, {"subject", unit}, {"sentence", "the port is slow"}}};
  gone.findings = json::array();
  for (const bool back : {false, true}) {
    const auto rows = back ? changes_between(gone, there, config::Design{}) : changes_between(there, gone, config::Design{});
    REQUIRE(rows.size() == 2);
    CHECK(rows[0].text == (back ? "gate-north is arrived, was lost" : "gate-north is lost, was arrived"));
    CHECK(rows[1].subject == "camera/gate-northern");  // another unit, whose name only begins alike
  }
  RoundTold before{round_of(0, {word("camera/other", "presence", "arrived")})};  // the unit came into the design later
  before.verdicts = before.findings = json::array();
  CHECK(changes_between(before, there, config::Design{}).size() == 2);
}
