#include "probes/reading.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace tallywire;

TEST_CASE("a time survives its RFC 3339 form to the millisecond") {
  // 2026-01-02T03:04:05.5Z is NTP second 0xed01b425; source: RFC 5905 Fig. 4, check-values
  // section 8 (computed). NTP counts from 1900: 2 208 988 800 s before 1970.
  const auto when = from_rfc3339("2026-01-02T03:04:05.500Z");
  CHECK(std::chrono::duration_cast<std::chrono::seconds>(when.time_since_epoch()).count() ==
        0xed01b425LL - 2'208'988'800LL);
  CHECK(to_rfc3339(when) == "2026-01-02T03:04:05.500Z");
}

TEST_CASE("a time that is not UTC is refused") {
  CHECK_THROWS(from_rfc3339("2026-01-02T03:04:05+01:00"));
  CHECK_THROWS(from_rfc3339("yesterday"));
}

TEST_CASE("a reading keeps its value or its reason through JSON, never both") {
  const auto when = from_rfc3339("2026-11-25T12:00:00.000Z");
  nlohmann::json read = read_number("camera/a", "frame_rate_hz", 25.0, "counted", when);
  CHECK(read.at("value") == 25.0);
  CHECK(read.at("unread").is_null());
  nlohmann::json not_read = unread("camera/a", "frame_rate_hz", "login refused", when);
  CHECK(not_read.at("value").is_null());
  CHECK(not_read.at("unread") == "login refused");
  const auto back = not_read.get<Reading>();
  CHECK_FALSE(back.is_read());
  CHECK(back.unread == "login refused");
  CHECK(read.get<Reading>().number() == 25.0);
}

TEST_CASE("an unread reading without a reason is a bug") {
  CHECK_THROWS(unread("camera/a", "frame_rate_hz", "", now_utc()));
}
