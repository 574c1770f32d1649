#include "daemon/client/record_rows.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::client;

TEST_CASE("a unit's word is no formula in an exported table") {
  const auto row = csv_row(1, "night", read_word("camera/gate", "firmware", "=HYPERLINK(\"x\")", "ONVIF", from_rfc3339("2026-11-25T12:00:00.000Z")));
  CHECK(row.find(",\"'=HYPERLINK(\"\"x\"\")\",") != std::string::npos);  // RFC 4180 §2.7
  CHECK(csv_row(1, "night", read_number("camera/gate", "clock_offset_s", -9, "asked", from_rfc3339("2026-11-25T12:00:00.000Z"))).find(",-9.0,") != std::string::npos);
}
