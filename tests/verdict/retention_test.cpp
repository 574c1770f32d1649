// Days held and the day on which they fall short.
#include "daemon/verdict/retention.hpp"
#include "daemon/verdict/targets.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <random>

using namespace tallywire;
using namespace tallywire::verdict;
using Approx = Catch::Detail::Approx;

namespace {

constexpr double seconds_per_day = 86'400;
const SystemTime now = from_rfc3339("2026-06-01T02:30:00Z");

SystemTime day(double after) { return now + std::chrono::nanoseconds(static_cast<std::int64_t>(after * seconds_per_day * 1e9)); }

config::Stream stream(const std::string& id, const std::string& use, std::uint64_t bps) {
  config::Stream out;
  out.id = id;
  out.use = use;
  out.codec = "H264";
  out.bit_rate_bps = bps;
  return out;
}

// One unit with two heads of 4 Mbit/s and a stream to look at; one volume for both heads; two cards.
config::Design site() {
  config::Design out;
  config::Camera camera;
  camera.id = "gate";
  camera.heads = {{"1", "", {stream("main", "record", 4'000'000), stream("view", "view", 500'000)}}, {"2", "", {stream("main", "record", 4'000'000)}}};
  camera.cards = {{256e9, "V30"}, {128e9, "V30"}};
  camera.card_days_to_hold = 3;
  out.cameras = {camera};
  out.recorders = {{"rec", "", "192.0.2.10", "", "", {{"main", "/srv/video", false, 1e12, 10, {"gate/1/main", "gate/2/main"}}}}};
  out.limits.container_overhead_ratio = 0;
  out.limits.volume_kept_free_ratio = 0;
  return out;
}

Reading rate(const std::string& head, double bps, double half = 0, double seconds = 10) {
  return read_number("camera/gate/head/" + head + "/stream/main", "payload_bps", bps, "metered", now,
                     std::chrono::nanoseconds(static_cast<std::int64_t>(seconds * 1e9)), half);
}

const DaysHeld& find(const std::vector<DaysHeld>& rows, const std::string& subject) {
  for (const auto& row : rows)
    if (row.store.subject == subject) return row;
  throw std::runtime_error("no row for " + subject);
}

std::vector<NightRate> nights(int count, double first_bps, double more_a_night_bps) {
  std::vector<NightRate> out;
  for (int i = 0; i < count; ++i)
    for (const char* head : {"1", "2"})
      out.push_back({i + 1, day(i - count), std::string("camera/gate/head/") + head + "/stream/main", first_bps + i * more_a_night_bps});
  return out;
}

const std::string volume = "recorder/rec/volume/main", cards = "camera/gate/cards";

}  // namespace

TEST_CASE("days held follow the worked values") {
  // Check-values section 15 (arithmetic, decimal GB): 256 GB at 4 Mbit/s; the same with 10 % kept
  // free; 48 TB with 5 % kept free at 160 Mbit/s.
  CHECK(days_held(256e9, 0, 4e6 / 8) == Approx(5.926).epsilon(1e-4));
  CHECK(days_held(256e9, 0.10, 4e6 / 8) == Approx(5.333).epsilon(1e-4));
  CHECK(days_held(48e12, 0.05, 160e6 / 8) == Approx(26.39).epsilon(1e-4));
  // 40 streams of 4 Mbit/s write 20 MB/s: 51.84 TB hold 30 days, with 10 % kept free 57.6 TB do.
  CHECK(days_held(51.84e12, 0, 20e6) == Approx(30));
  CHECK(days_held(57.6e12, 0.10, 20e6) == Approx(30));
  // 4 Mbit/s are 43.2 GB a day: 43.2 GB hold one.
  CHECK(days_held(43.2e9, 0, 4e6 / 8) == Approx(1));
}

TEST_CASE("two cards count together or as copies, as the design says") {
  // Check-values section 15: two of 256 GB together hold one stream of 4 Mbit/s 11.852 days, four of them 2.963; mirrored they
  // hold as long as one (common practice).
  auto design = site();
  design.cameras[0].cards = {{256e9, "V30"}, {256e9, "V30"}};
  design.cameras[0].card_streams = {"1/main"};
  const auto days_of = [&](config::CardUse use) {
    design.cameras[0].card_use = use;
    return *find(days_held_of(design, {rate("1", 4e6)}, {}, {}, now), cards).days;
  };
  CHECK(days_of(config::CardUse::together) == Approx(11.852).epsilon(1e-4));
  CHECK(days_of(config::CardUse::copies) == Approx(5.926).epsilon(1e-4));
  CHECK(*find(days_held_of(design, {rate("1", 16e6)}, {}, {}, now), cards).days == Approx(2.963 / 2).epsilon(1e-3));
  design.cameras[0].cards[1].capacity_bytes = 128e9;  // the smaller copy is full first
  CHECK(days_of(config::CardUse::copies) == Approx(5.926 / 2).epsilon(1e-4));
}

TEST_CASE("cards record what the design says, else what is for recording, else nobody knows") {
  auto design = site();
  CHECK(stores_of(design).at(1).streams == std::vector<std::string>{"camera/gate/head/1/stream/main", "camera/gate/head/2/stream/main"});
  design.cameras[0].card_streams = {"1/view"};
  CHECK(stores_of(design).at(1).streams == std::vector<std::string>{"camera/gate/head/1/stream/view"});
  design.cameras[0].card_streams.clear();
  for (auto& head : design.cameras[0].heads)
    for (auto& s : head.streams) s.use = "view";
  CHECK(stores_of(design).at(1).streams.empty());
  const auto rows = days_held_of(design, {rate("1", 4e6), rate("2", 4e6)}, {}, {}, now);
  CHECK_FALSE(find(rows, cards).days);
  CHECK(to_reading(find(rows, cards), now).unread.find("card_streams") != std::string::npos);
}

TEST_CASE("days held come from what was measured, with overhead, reserve and the smaller capacity") {
  auto design = site();
  design.limits.container_overhead_ratio = 0.02;
  design.limits.volume_kept_free_ratio = 0.05;
  const std::vector<Reading> readings = {rate("1", 3e6, 0.3e6), rate("2", 5e6, 0.4e6), read_number(volume, "capacity_bytes", 0.9e12, "statvfs", now)};
  const auto row = find(days_held_of(design, readings, {}, {}, now), volume);
  CHECK(*row.rate_bytes_per_s == Approx(1e6 * 1.02));
  CHECK(row.capacity_is_measured);
  CHECK(*row.days == Approx(0.9e12 * 0.95 / (1.02e6 * seconds_per_day)));
  CHECK(row.uncertainty_days / *row.days == Approx(0.5 / 8));  // 0.3 and 0.4 of independent streams
  CHECK(row.when == now);
  const nlohmann::json told = row;
  CHECK(told.at("capacity_from") == "measured");
  CHECK(told.at("path") == "/srv/video");
  CHECK(told.at("falls_short") == "now");  // 9.7 of 10 days, whatever the nights say
  CHECK(told.at("unread").contains("trend_bytes_per_s_per_day"));
  const nlohmann::json enough = find(days_held_of(design, {rate("1", 2e6), rate("2", 2e6)}, {}, {}, now), volume);
  CHECK(enough.at("falls_short").is_null());
  CHECK(enough.at("unread").contains("falls_short"));
  // A volume that is larger than designed is not promised to the streams.
  const auto larger = days_held_of(design, {rate("1", 3e6), rate("2", 5e6), read_number(volume, "capacity_bytes", 2e12, "statvfs", now)}, {}, {}, now);
  CHECK_FALSE(find(larger, volume).capacity_is_measured);
  CHECK(*find(larger, volume).capacity_bytes == 1e12);
}

TEST_CASE("a stream that was not metered makes days held unread; a longer look by a tap says more") {
  const auto design = site();
  const auto lacking = find(days_held_of(design, {rate("1", 4e6)}, {}, {}, now), volume);
  CHECK_FALSE(lacking.days);
  CHECK(to_reading(lacking, now).unread == "1 of its 2 streams could not be metered");
  CHECK(*find(days_held_of(design, {rate("1", 4e6)}, {rate("2", 2e6, 0, 60)}, {}, now), volume).rate_bytes_per_s == Approx(0.75e6));
  CHECK(*find(days_held_of(design, {rate("1", 4e6), rate("2", 4e6)}, {rate("2", 2e6, 0, 60)}, {}, now), volume).rate_bytes_per_s == Approx(0.75e6));
  CHECK(*find(days_held_of(design, {rate("1", 4e6), rate("2", 4e6)}, {rate("2", 2e6, 0, 5)}, {}, now), volume).rate_bytes_per_s == Approx(1e6));
}

TEST_CASE("cards are a target where the design promises days") {
  auto design = site();
  const auto promised = [&] {
    for (const auto& t : targets_of(design, {"gate"}))
      if (t.subject == cards && t.quantity == days_held_quantity) return t.low;
    return std::optional<double>();
  };
  CHECK(promised() == 3.0);
  design.cameras[0].card_days_to_hold = 0;
  CHECK_FALSE(promised());
}

TEST_CASE("one bad night does not move the trend") {
  // Helsel and Hirsch, Statistical Methods in Water Resources, section 10.1 (from memory): y = 1 2 3 4 5 16 7 over x = 1 … 7 has
  // the Theil slope 1.
  const double y[] = {1, 2, 3, 4, 5, 16, 7};
  std::vector<NightSum> sums;
  for (int i = 0; i < 7; ++i) sums.push_back({day(i - 6), y[i]});
  const auto trend = trend_of(sums, now);
  CHECK(trend.per_day == Approx(1));
  CHECK(trend.bytes_per_s == Approx(7));  // median 5 at the middle of the week, three days on 3 more, less 1: median of y is 4 + 1
  CHECK(trend.per_day_low <= 1);
  CHECK(trend.per_day_high >= 1);
}

TEST_CASE("a trend is told when its interval leaves out zero, and holds the true slope as often as it says") {
  // The interval's own promise, 95 % (Sen 1968), counted over 2000 runs of noise; Clopper-Pearson at 1e-6 for 1900 of 2000 reaches
  // from 0.926 to 0.969 (computed); the normal approximation of ranks is on the safe side for 30 nights.
  std::mt19937_64 random(7);
  std::normal_distribution<double> noise(0, 3e4);
  int inside = 0, told_of_none = 0;
  for (int run = 0; run < 2000; ++run) {
    std::vector<NightSum> grows, stays;
    for (int i = 0; i < 30; ++i) {
      grows.push_back({day(i - 30), 1e6 + 2e3 * i + noise(random)});
      stays.push_back({day(i - 30), 1e6 + noise(random)});
    }
    const auto trend = trend_of(grows, now);
    inside += trend.per_day_low <= 2e3 && 2e3 <= trend.per_day_high;
    told_of_none += trend_of(stays, now).is_told;
  }
  CHECK(inside >= 1852);
  CHECK(inside <= 1960);
  CHECK(told_of_none <= 148);
}

TEST_CASE("the day it falls short is the day on which a night-by-night count falls short") {
  // Brute force: the store takes each day what the rate of that day brings, and forgets the oldest when it is full. It falls short
  // on the first day on which what it holds no longer covers the days that are asked for.
  const double usable = 1e12, hold = 10, first = 0.9e6, more = 5e3;
  const auto rate_on = [&](double t) { return first + more * t; };
  const auto held_until = [&](double t) {
    double octets = 0, back = t;
    constexpr double step = 1.0 / 1440;
    while (octets < usable) {
      octets += rate_on(back - step / 2) * step * seconds_per_day;
      back -= step;
    }
    return t - back;
  };
  double counted = 0;
  while (held_until(counted) >= hold) counted += 0.1;
  const auto days = days_until_short(usable, hold, first, more);
  REQUIRE(days.has_value());
  CHECK(*days == Approx(counted).margin(0.2));
  CHECK_FALSE(days_until_short(usable, hold, first, 0).has_value());
  CHECK_FALSE(days_until_short(usable, hold, first, -more).has_value());
  CHECK_FALSE(days_until_short(usable, hold, first, 1e-3).has_value());  // beyond ten years
  CHECK(*days_until_short(usable, hold, 1.3e6, 0) == 0);
}

TEST_CASE("a forecast says now, on which day, not in sight, or why it is unread") {
  const auto design = site();  // 1 TB for 10 days: 1.157 MB/s fill it
  const std::vector<Reading> today = {rate("1", 4e6), rate("2", 4e6)};
  const auto forecast = [&](const std::vector<Reading>& readings, const std::vector<NightRate>& kept) {
    return find(days_held_of(design, readings, {}, kept, now), volume);
  };
  CHECK(forecast(today, nights(6, 4e6, 0)).forecast.reason == "6 nights with all of its streams are kept, 7 are needed");
  CHECK(forecast(today, nights(20, 4e6, 0)).forecast.state == Forecast::Short::not_in_sight);
  CHECK(forecast({rate("1", 5e6), rate("2", 5e6)}, nights(20, 4e6, 0)).forecast.state == Forecast::Short::now);
  // 20 nights from 3.8 to 3.99 Mbit/s a head, 2.5 kB/s more a night: 1 MB/s today, (1.1574 - 1) / 0.0025 + 5 = 68 days on.
  const auto grows = forecast(today, nights(20, 3.8e6, 1e4));
  CHECK(grows.forecast.state == Forecast::Short::on_a_day);
  CHECK(std::chrono::duration<double>(*grows.forecast.on - now).count() / seconds_per_day == Approx(68).margin(1));
  const auto found = find_coming_short({grows});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "volume_coming_short");
  CHECK(found[0].sentence.find("volume main") != std::string::npos);
  CHECK(found[0].sentence.find("2026-08-0") != std::string::npos);
  // A night in which one of its streams is missing is no night of this store.
  auto gap = nights(7, 4e6, 0);
  gap.pop_back();
  CHECK(forecast(today, gap).forecast.nights == 6);
  CHECK(find_coming_short({forecast(today, nights(20, 4e6, 0))}).empty());
}

TEST_CASE("rates that fall foretell no day; the earliest day is never after the latest") {
  // 1 TB for 10 days: 1.1574 MB/s fill it.
  const auto nights_of = [](double newest, double per_day) {
    std::vector<NightSum> out;
    for (int i = 0; i < 20; ++i) out.push_back({day(i - 19), newest + per_day * (i - 19) + 1e3 * (i * i * 7 % 11 - 5)});
    return out;
  };
  // The days that are gone were heavier than what it takes; at the newest rates it holds enough.
  const auto falls = forecast_of(nights_of(1.15e6, -5e3), 1e12, 10, 10.06, now);
  CHECK(falls.trend->is_told);
  CHECK(falls.state == Forecast::Short::not_in_sight);
  CHECK_FALSE(falls.on);
  // The line is above it already, the last ten days together not yet: a steeper line comes there later.
  const auto above = forecast_of(nights_of(1.16e6, 2.5e3), 1e12, 10, 10.06, now);
  REQUIRE(above.state == Forecast::Short::on_a_day);
  REQUIRE((above.earliest && above.latest));
  CHECK(*above.earliest <= *above.on);
  CHECK(*above.on <= *above.latest);
  CHECK(*above.earliest < *above.latest);
}
