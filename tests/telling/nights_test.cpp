// Nights over both changes of the clocks. The rules of Europe/Berlin are the time zone database's (IANA): on 2026-03-29 02:00 becomes
// 03:00 at 01:00 UTC, on 2026-10-25 03:00 becomes 02:00 at 01:00 UTC (Directive 2000/84/EC).
#include "daemon/nights.hpp"

#include <catch2/catch.hpp>

#include <cstdlib>
#include <ctime>

using namespace tallywire;

namespace {

struct Zone {
  explicit Zone(const char* name) {
    ::setenv("TZ", name, 1);
    ::tzset();
  }
  ~Zone() {
    ::unsetenv("TZ");
    ::tzset();
  }
};

std::string next(const char* time_of_day, const char* now) {
  const auto night = next_night(time_of_day, from_rfc3339(now));
  return night.date + " " + to_rfc3339(night.at);
}

}  // namespace

TEST_CASE("the next night comes at the local time of day") {
  const Zone berlin("Europe/Berlin");
  CHECK(next("02:30", "2026-01-10T00:00:00Z") == "2026-01-10 2026-01-10T01:30:00.000Z");
  CHECK(next("02:30", "2026-01-10T01:30:00Z") == "2026-01-11 2026-01-11T01:30:00.000Z");
  CHECK(next("02:30", "2026-07-10T00:00:00Z") == "2026-07-10 2026-07-10T00:30:00.000Z");
  CHECK(next("23:55", "2026-12-31T23:00:00Z") == "2027-01-01 2027-01-01T22:55:00.000Z");
}

TEST_CASE("a skipped time comes with the change, a doubled one once, the first time") {
  const Zone berlin("Europe/Berlin");
  CHECK(next("02:30", "2026-03-28T12:00:00Z") == "2026-03-29 2026-03-29T01:00:00.000Z");
  CHECK(next("02:30", "2026-03-29T01:00:00Z") == "2026-03-30 2026-03-30T00:30:00.000Z");
  CHECK(next("02:30", "2026-10-24T12:00:00Z") == "2026-10-25 2026-10-25T00:30:00.000Z");
  // Between the two 02:30 of that night, and at the second one.
  CHECK(next("02:30", "2026-10-25T01:00:00Z") == "2026-10-26 2026-10-26T01:30:00.000Z");
  CHECK(latest_night("02:30", from_rfc3339("2026-10-25T01:30:00Z")).date == "2026-10-25");
  CHECK(to_rfc3339(latest_night("02:30", from_rfc3339("2026-10-25T01:30:00Z")).at) == "2026-10-25T00:30:00.000Z");
}

TEST_CASE("a nightly round that a person starts does not take the place of the night that is still due") {
  const Zone berlin("Europe/Berlin");
  const auto morning = from_rfc3339("2026-11-26T09:00:00Z");
  CHECK(night_of(morning, "22:00") == "2026-11-25");
  CHECK(night_of(morning, "02:00") == "2026-11-26");
  CHECK(night_of(from_rfc3339("2026-11-26T23:30:00Z"), std::nullopt) == "2026-11-27");
}

TEST_CASE("through a year of minutes each date has one night, and none comes twice") {
  const Zone berlin("Europe/Berlin");
  for (const char* time_of_day : {"00:00", "02:00", "02:30", "03:00", "23:59"}) {
    auto now = from_rfc3339("2026-01-01T12:00:00Z");
    std::string date = latest_night(time_of_day, now).date;
    for (int i = 0; i < 365; ++i) {
      const auto night = next_night(time_of_day, now);
      CAPTURE(time_of_day, night.date);
      CHECK(nights_between(date, night.date) == 1);
      CHECK(latest_night(time_of_day, night.at).date == night.date);
      CHECK(latest_night(time_of_day, night.at - std::chrono::seconds(1)).date == date);
      date = night.date;
      now = night.at;
    }
  }
}

TEST_CASE("zones without changes of the clocks, and beyond the date line") {
  for (const char* name : {"UTC", "Asia/Kolkata", "Pacific/Kiritimati", "America/St_Johns", "Australia/Lord_Howe"}) {
    const Zone zone(name);
    const auto now = from_rfc3339("2026-06-15T12:34:56Z");
    const auto latest = latest_night("02:30", now), coming = next_night("02:30", now);
    CAPTURE(name);
    CHECK(latest.at <= now);
    CHECK(coming.at > now);
    CHECK(nights_between(latest.date, coming.date) == 1);
    CHECK(local_date(coming.at) == coming.date);
  }
}

TEST_CASE("rounds near the nightly time are of the night, others of their quarter of the day") {
  const Zone berlin("Europe/Berlin");
  const auto hours = [](const char* when) { return hours_of(from_rfc3339(when), "23:30"); };
  CHECK(hours("2026-01-10T22:30:00Z") == "night");
  CHECK(hours("2026-01-10T23:59:00Z") == "night");  // 00:59
  CHECK(hours("2026-01-11T00:01:00Z") == "00-06");
  CHECK(hours("2026-01-11T11:00:00Z") == "12-18");
  CHECK(hours_of(from_rfc3339("2026-01-11T01:30:00Z"), std::nullopt) == "00-06");
}
