// What pages and drift ask of many rounds; parts of rounds; pages of an export; thinning.
#include "made_record.hpp"

#include <algorithm>
#include <set>

using namespace made;
using namespace std::chrono_literals;
using nlohmann::json;

namespace {

const SystemTime first_night = from_rfc3339("2026-01-05T02:00:00.000Z");  // a Monday

json verdict(const std::string& subject, const std::string& kind) { return {{"subject", subject}, {"quantity", "payload_bps"}, {"verdict", kind}}; }

// A round that read `value` of the unit's stream, and judged it.
std::int64_t add_round(Record& record, const std::string& kind, SystemTime when, double value, const std::string& state = "complete") {
  const auto id = *record.begin_round(head(kind, when));
  auto windows = read_word("camera/gate/head/1/stream/main", "wire_windows_100ms", "0:12 4736:310 " + std::to_string(id) + ":1", "counted", when);
  REQUIRE(record.add_readings(id, {read_number("camera/gate/head/1/stream/main", "payload_bps", value, "counted, 5 whole GOPs", when, 10s, 12.5), windows,
                                   read_word("camera/gate", "firmware", "2.4.1", "asked", when), unread("camera/gate-two", "firmware", "login refused", when)})
              .has_value());
  const json document = {{"started", to_rfc3339(when)}, {"ended", to_rfc3339(when + 40min)}, {"plan", "one stream"}, {"exit_code", 1},
                         {"roll", {{{"camera", "gate"}, {"presence", "wanting"}}}}, {"headroom", {{{"uplink", "switch/a/uplink/up"}, {"measured_bps", value}}}},
                         {"verdicts", {verdict("camera/gate/head/1/stream/main", "met"), verdict("camera/gate", "missed"), verdict("camera/gate", "tight")}},
                         {"counts", {{"met", 1}, {"tight", 1}, {"missed", 1}, {"unread", 0}}}};
  REQUIRE(record.end_round(id, state, document).has_value());
  return id;
}

}  // namespace

TEST_CASE("a subject's history is that of complete rounds, oldest first, the newest so many") {
  auto record = opened(":memory:");
  for (int night = 0; night < 5; ++night) add_round(*record, "night", first_night + 24h * night, night);
  add_round(*record, "night", first_night + 24h * 5, 99, "cancelled");
  const auto points = *record->history("camera/gate/head/1/stream/main", "payload_bps", 3);
  REQUIRE(points.size() == 3);
  for (std::size_t i = 0; i < 3; ++i) {
    CHECK(points[i].round == static_cast<std::int64_t>(i) + 3);
    CHECK(points[i].reading.number() == static_cast<double>(i) + 2);
    CHECK(points[i].reading.uncertainty == 12.5);
    CHECK(points[i].reading.over == 10s);
  }
  CHECK((*record->history("camera/gate-two", "firmware", 9))[0].reading.unread == "login refused");
  CHECK(record->history("camera/gate", "payload_bps", 9)->empty());
  CHECK(record->history("camera/nobody", "nothing", 9)->empty());
}

TEST_CASE("a unit's nights tell its presence and its own verdicts") {
  auto record = opened(":memory:");
  for (int night = 0; night < 3; ++night) add_round(*record, night == 1 ? "round" : "night", first_night + 24h * night, night);
  const auto nights = *record->unit_nights("gate", 2);
  REQUIRE(nights.size() == 2);
  CHECK(nights[0].kind == "round");
  CHECK(nights[1].round == 3);
  CHECK(nights[1].presence == "wanting");
  CHECK(nights[1].at == first_night + 48h + 40min);
  CHECK(nights[1].met == 1);
  CHECK(nights[1].tight == 1);
  CHECK(nights[1].missed == 1);
  CHECK(nights[1].unread == 0);
  CHECK(record->unit_nights("gate-two", 9)->empty());
}

TEST_CASE("readings at a subject or below it are its own, not those of one that begins alike") {
  auto record = opened(":memory:");
  const auto id = add_round(*record, "round", first_night, 1);
  std::set<std::string> subjects;
  for (const auto& r : *record->readings_below(id, "camera/gate")) subjects.insert(r.subject);
  CHECK(subjects == std::set<std::string>{"camera/gate", "camera/gate/head/1/stream/main"});
  CHECK(record->readings_below(id, "camera/gate/head/1/stream/main")->size() == 2);
  CHECK(record->readings_below(id, "camera/gat")->empty());
  CHECK(record->readings_below(99, "camera/gate")->empty());
}

TEST_CASE("numbers of nights are those of the readings of each night") {
  auto record = opened(":memory:");
  for (int night = 0; night < 6; ++night) add_round(*record, night == 2 ? "round" : "night", first_night + 24h * night, night);
  const auto numbers = *record->numbers_of_nights("payload_bps", 3);
  REQUIRE(numbers.numbers.size() == 3);
  CHECK(numbers.subjects == std::vector<std::string>{"camera/gate/head/1/stream/main"});
  for (const auto& number : numbers.numbers) {
    const auto readings = *record->readings_below(number.round, "camera/gate/head/1/stream/main");
    const auto same = std::find_if(readings.begin(), readings.end(), [](const Reading& r) { return r.quantity == "payload_bps"; });
    REQUIRE(same != readings.end());
    CHECK(number.number == same->number());
    CHECK(number.uncertainty == same->uncertainty);
    CHECK(number.when == same->when);
  }
}

TEST_CASE("a list of the newest whole round is read without the rest of it") {
  auto record = opened(":memory:");
  CHECK_FALSE(record->newest_part("headroom", true)->has_value());
  add_round(*record, "night", first_night, 7);
  add_round(*record, "prove", first_night + 1h, 8);
  const auto found = **record->newest_part("headroom", true);
  CHECK(found.first == 1);
  CHECK(found.second[0].at("measured_bps") == 7);
  const auto document = **record->round_document(1);
  CHECK(document.at("verdicts").size() == 3);
  CHECK(document.at("round") == 1);
  CHECK(document.at("plan") == "one stream");
}

TEST_CASE("an export's pages hold every reading once, in order, whatever their size") {
  auto record = opened(":memory:");
  for (int night = 0; night < 4; ++night) add_round(*record, "night", first_night + 24h * night, night);
  for (const int limit : {1, 3, 4, 100}) {
    std::vector<std::pair<std::int64_t, std::string>> seen;
    std::optional<ExportPlace> place = ExportPlace{};
    while (place) {
      const auto page = *record->export_page(2, 3, *place, limit);
      for (const auto& r : page.readings) seen.emplace_back(r.round, r.reading.quantity + r.reading.subject);
      place = page.next;
    }
    CHECK(seen.size() == 8);
    CHECK(std::set(seen.begin(), seen.end()).size() == 8);
    CHECK(seen.front().first == 2);
    CHECK(seen.back().first == 3);
  }
}

TEST_CASE("distributions go after 30 days, readings but one night a week after 400; verdicts and accepted rounds never") {
  auto record = opened(":memory:");
  constexpr int nights = 28;
  for (int night = 0; night < nights; ++night) add_round(*record, "night", first_night + 24h * night, night);
  REQUIRE(record->accept_round(3, "A. Tester", first_night).has_value());
  const auto thin = [&](SystemTime now) {
    int steps = 0;
    for (auto more = record->thin(now); *more; more = record->thin(now)) REQUIRE(++steps < 1000);
    return steps;
  };
  const auto readings = [&](std::int64_t round) { return record->readings_of(round)->size(); };
  CHECK(thin(first_night + 24h * 29) == 0);
  thin(first_night + 24h * (nights + 29) + 1h);  // all but the newest are older than 30 days
  CHECK(readings(1) == 3);
  CHECK(readings(3) == 4);
  CHECK(readings(nights) == 4);  // the newest whole round stays as it is
  thin(first_night + 24h * (nights + 400));
  std::set<int> kept;
  for (int night = 1; night <= nights; ++night)
    if (readings(night) > 0) kept.insert(night);
  // The Unix epoch was a Thursday: weeks end with Wednesday nights, 3, 10, 17 and 24; the last week is not over.
  CHECK(kept == std::set<int>{3, 10, 17, 24, 28});
  for (int night = 1; night <= nights; ++night) {
    CHECK((**record->round_document(night)).at("verdicts").size() == 3);
    CHECK(record->rounds(100)->size() == nights);
  }
  // Nothing would ever differ from a round whose readings are gone.
  CHECK_FALSE(record->accept_round(1, "A. Tester", first_night).has_value());
  CHECK(record->accept_round(10, "A. Tester", first_night).has_value());
  CHECK(record->unit_nights("gate", 100)->size() == nights);
  CHECK(record->history("camera/gate/head/1/stream/main", "payload_bps", 100)->size() == 5);
  CHECK(thin(first_night + 24h * (nights + 400)) == 0);
}

TEST_CASE("thinning goes in small steps, and what is written meanwhile is kept") {
  auto record = opened(":memory:");
  const auto old = *record->begin_round(head("prove", first_night));
  std::vector<Reading> many;
  for (int i = 0; i < 9000; ++i) many.push_back(read_number("camera/unit-" + std::to_string(i), "payload_bps", i, "counted", first_night));
  REQUIRE(record->add_readings(old, many).has_value());
  REQUIRE(record->end_round(old, "complete", json::object()).has_value());
  const auto id = *record->begin_round(head("round", first_night + 24h * 500));
  int steps = 0;
  std::size_t before = many.size();
  while (*record->thin(first_night + 24h * 500)) {
    REQUIRE(++steps < 100);
    REQUIRE(record->add_readings(id, {many[0]}).has_value());
    const auto left = record->readings_of(old)->size();
    CHECK(before - left <= 2001);
    before = left;
  }
  CHECK(steps >= 5);
  CHECK(before == 0);
  CHECK(record->readings_of(id)->size() == static_cast<std::size_t>(steps));
  CHECK(record->size()->thinned_rounds == 1);
}
