#include "daemon/verdict/headroom.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::verdict;

namespace {

std::vector<Load> alike(int n, double mean, double peak) {
  return std::vector<Load>(static_cast<std::size_t>(n), Load{mean, peak});
}

}  // namespace

TEST_CASE("the busiest instant is Chernoff's bound for streams that are all alike") {
  // Check-values section 17, column "Chernoff" (Hoeffding 1963; computed), Mbit/s.
  struct Row { int n; double mean, peak, risk, chernoff, exact; };
  const Row rows[] = {
      {10, 4, 12, 1e-2, 96.054, 84},    {10, 4, 12, 1e-3, 107.437, 96},
      {10, 4, 12, 1e-6, 120, 120},      {40, 4, 12, 1e-2, 272.554, 240},
      {40, 4, 12, 1e-3, 298.224, 276},  {40, 4, 12, 1e-6, 355.214, 336},
      {40, 4, 8, 1e-3, 251.213, 240},   {100, 4, 12, 1e-3, 616.944, 576},
      {100, 4, 12, 1e-6, 708.671, 684},
  };
  for (const auto& row : rows) {
    const double bound = busiest_bps(alike(row.n, row.mean, row.peak), row.risk);
    CAPTURE(row.n, row.mean, row.peak, row.risk);
    CHECK(bound == Approx(row.chernoff).epsilon(2e-5));
    CHECK(bound >= row.exact);               // never below the exact tail's rate
    CHECK(bound <= row.n * row.peak + 1e-9); // never above all peaks together
    CHECK(bound >= row.n * row.mean);
  }
}

TEST_CASE("the bound takes rates in bit/s as well as in Mbit/s") {
  CHECK(busiest_bps(alike(40, 4e6, 12e6), 1e-3) == Approx(298.224e6).epsilon(2e-5));
}

TEST_CASE("constant streams need no more than their sum, no streams need nothing") {
  CHECK(busiest_bps(alike(5, 4, 4), 1e-6) == Approx(20));
  CHECK(busiest_bps({}, 1e-6) == 0);
}

TEST_CASE("one heavy stream among light ones stays within mean and peaks") {
  auto loads = alike(20, 1e6, 3e6);
  loads.push_back({8e6, 80e6});
  const double bound = busiest_bps(loads, 1e-4);
  CHECK(bound > 28e6);
  CHECK(bound <= 140e6);
}

TEST_CASE("the designed rate on the wire is that of 1400-octet packets") {
  // 4 Mbit/s of payload makes 4 222 857.14 bit/s; check-values section 1 (arithmetic on RFC 5180).
  CHECK(designed_wire_bps(4e6) == Approx(4'222'857.14));
}

namespace {

config::Design two_switches() {
  config::Design d;
  config::Switch hall{"hall", "", "198.51.100.2", {}, {"p1", "p2", "up"}, {{"up", "up", "core", 1'000'000'000}}, {}};
  config::Switch yard{"yard", "", "198.51.100.3", {}, {"p1", "up"}, {{"up", "up", "hall", 100'000'000}}, {}};
  d.switches = {hall, yard};
  config::Stream s;
  s.id = "main";
  s.codec = "H264";
  s.bit_rate_bps = 4'000'000;
  config::Camera near, far;
  near.id = "near";
  near.switch_id = "hall";
  near.heads = {{"1", "", {s}}};
  far.id = "far";
  far.switch_id = "yard";
  far.heads = {{"1", "", {s}}, {"2", "", {s}}};
  d.cameras = {near, far};
  return d;
}

std::vector<Reading> metered(const std::string& subject) {
  const auto noon = from_rfc3339("2026-11-25T12:00:00.000Z");
  return {read_number(subject, "payload_bps", 4e6, "", noon),
          read_number(subject, "wire_bps", 4.2e6, "", noon),
          read_number(subject, "peak_bps_100ms", 12e6, "", noon)};
}

std::vector<Reading> all_metered() {
  std::vector<Reading> all;
  for (const char* subject : {"camera/near/head/1/stream/main", "camera/far/head/1/stream/main",
                              "camera/far/head/2/stream/main"})
    for (auto& r : metered(subject)) all.push_back(r);
  return all;
}

}  // namespace

TEST_CASE("an uplink carries the streams behind it, and only these") {
  const auto rows = headroom_of(two_switches(), all_metered());
  REQUIRE(rows.size() == 2);
  CHECK(rows[0].uplink == "switch/hall/uplink/up");
  CHECK(rows[0].streams == 3);
  CHECK(*rows[0].measured_bps == Approx(12.6e6));
  CHECK(rows[1].streams == 2);
  CHECK(*rows[1].measured_bps == Approx(8.4e6));
  CHECK(*rows[1].busiest_bps == Approx(25.2e6));  // two streams: both peaks can meet at 1e-6
  CHECK(rows[1].ceiling_bps == Approx(70e6));
}

TEST_CASE("an uplink with a stream that could not be metered is unread, not understated") {
  auto readings = all_metered();
  readings.resize(6);  // head 2 of the far unit is missing
  const auto rows = headroom_of(two_switches(), readings);
  CHECK(rows[1].streams_measured == 1);
  const auto judged = to_readings(rows, from_rfc3339("2026-11-25T12:00:00.000Z"));
  REQUIRE(judged.size() == 4);
  CHECK_FALSE(judged[2].is_read());
  CHECK(judged[2].unread == "1 of 2 streams that cross it could not be metered");
}

TEST_CASE("what a tap saw stands in for a stream that the round did not read, and is told") {
  auto readings = all_metered();
  readings.resize(6);  // head 2 of the far unit is missing
  const std::string near = "camera/near/head/1/stream/main", missing = "camera/far/head/2/stream/main";
  std::vector<Reading> tapped = metered(missing);
  for (auto& r : tapped) r.when = from_rfc3339("2026-11-25T14:03:20.000Z");
  tapped.push_back(read_number(near, "wire_bps", 9e6, "", tapped[0].when));
  tapped.push_back(read_number(near, "payload_bps", 8.6e6, "", tapped[0].when));
  tapped.push_back(read_number(near, "peak_bps_100ms", 12e6, "", tapped[0].when));
  // In a round, what the round itself read counts.
  auto rows = headroom_of(two_switches(), readings, tapped);
  CHECK(*rows[0].measured_bps == Approx(12.6e6));
  CHECK(rows[0].streams_tapped == 1);
  CHECK(rows[0].method.find("1 of 3 streams by the tap at 14:03 UTC") != std::string::npos);
  CHECK(rows[1].streams_measured == 2);
  CHECK(rows[1].unread.empty());
  // Between rounds, the newer of both.
  rows = headroom_of(two_switches(), readings, tapped, Precedence::newest);
  CHECK(*rows[0].measured_bps == Approx(4.2e6 + 4.2e6 + 9e6));
  CHECK(rows[0].streams_tapped == 2);
  for (auto& r : readings) r.when = from_rfc3339("2026-11-25T15:00:00.000Z");
  rows = headroom_of(two_switches(), readings, tapped, Precedence::newest);
  CHECK(*rows[0].measured_bps == Approx(12.6e6));
  CHECK(rows[0].streams_tapped == 1);
}

TEST_CASE("a stream of which a tap could read only a part is not measured") {
  auto readings = all_metered();
  readings.resize(6);
  auto tapped = metered("camera/far/head/2/stream/main");
  tapped[2] = unread(tapped[2].subject, tapped[2].quantity, "shorter than a window", tapped[2].when);
  const auto rows = headroom_of(two_switches(), readings, tapped);
  CHECK(rows[1].streams_measured == 1);
  CHECK(rows[1].streams_tapped == 0);
  CHECK(rows[1].method.find("tap") == std::string::npos);
}

TEST_CASE("some of the streams are enough to prove that an uplink is too small") {
  auto design = two_switches();
  design.switches[1].uplinks[0].speed_bps = 5'000'000;
  auto readings = all_metered();
  readings.resize(6);
  const auto judged =
      to_readings(headroom_of(design, readings), from_rfc3339("2026-11-25T12:00:00.000Z"));
  CHECK(judged[2].number() == Approx(4.2e6));
}
