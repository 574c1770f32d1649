// Rows of headroom from readings that carry window distributions: the busiest instant, how many more units fit, what waits
// before the uplink, and what is said of phases that lock.
#include "daemon/verdict/headroom.hpp"
#include "probes/window_counts.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace tallywire;
using namespace tallywire::verdict;

namespace {

const auto noon = from_rfc3339("2026-11-25T12:00:00.000Z");

// `units` units of one stream each on a switch with one uplink.
config::Design one_switch(int units, std::uint64_t uplink_bps, double risk = 1e-6) {
  config::Design d;
  d.limits.busiest_instant_risk_ratio = risk;
  d.switches = {{"hall", "", "198.51.100.2", {}, {}, {{"up", "up", "core", uplink_bps}}, {}}};
  config::Stream s;
  s.id = "main";
  s.codec = "H264";
  s.bit_rate_bps = 4'000'000;
  for (int i = 0; i < units; ++i) {
    config::Camera camera;
    camera.id = "unit-" + std::to_string(i);
    camera.switch_id = "hall";
    camera.link_speed_bps = 100'000'000;
    camera.heads = {{"1", "", {s}}};
    d.cameras.push_back(camera);
  }
  return d;
}

std::string stream_of(int unit) { return "camera/unit-" + std::to_string(unit) + "/head/1/stream/main"; }

// 4 Mbit/s: 24 of 25 windows of 3.4 Mbit/s, one of 18.4 Mbit/s. Every octet is on the wire, to reckon by hand.
std::vector<Reading> metered(int units) {
  std::vector<Reading> out;
  for (int i = 0; i < units; ++i) {
    const auto subject = stream_of(i);
    out.push_back(read_number(subject, "payload_bps", 4e6, "", noon));
    out.push_back(read_number(subject, "wire_bps", 4e6, "", noon));
    out.push_back(read_number(subject, "peak_bps_100ms", 18.4e6, "", noon));
    out.push_back(read_word(subject, wire_windows_quantity, "42500:2400 230000:100", "", noon));
    out.push_back(read_number(subject, "keyframe_bytes_max", 92'000, "", noon));
    out.push_back(read_number(subject, "gop_frames", 25, "", noon));
  }
  return out;
}

HeadroomRow row_of(int units, std::uint64_t uplink_bps, double risk = 1e-6) { return headroom_of(one_switch(units, uplink_bps, risk), metered(units)).at(0); }

}  // namespace

TEST_CASE("the busiest instant comes from the measured windows, and the row says how") {
  const auto row = row_of(40, 1'000'000'000);
  // Binomial, 40 at 1/25: P(X > 10) = 3.296e-7, P(X > 9) = 2.942e-6 (whole-number fractions). 40 x 3.4 + 10 x 15 Mbit/s.
  CHECK(*row.busiest_bps >= 286e6 * (1 - 1e-12));
  CHECK(*row.busiest_bps <= 286e6 + row.busiest.rounding_bps + row.busiest.grid_step_bps);
  CHECK(row.busiest.exceeded_ratio == Approx(3.296097e-7).epsilon(1e-6));
  CHECK(row.busiest.by_convolution);
  CHECK(row.windows_least == 250);
  CHECK(*row.together_bps == Approx(40 * 18.4e6));
  CHECK(*row.measured_bps == Approx(160e6));
  for (const char* part : {"exact convolution (FFT)", "8192 steps", "probability of at most 3.3e-07", "phases taken as independent: an assumption",
                           "250 windows or more"}) {
    CAPTURE(row.method);
    CHECK(row.method.find(part) != std::string::npos);
  }
}

TEST_CASE("where a stream has a mean and a peak alone, the bound of old stands, and says so") {
  auto readings = metered(3);
  for (auto& r : readings)
    if (r.subject == stream_of(1) && r.quantity == wire_windows_quantity) r = unread(r.subject, r.quantity, "it was received for less than 100 ms", noon);
  const auto row = headroom_of(one_switch(3, 1'000'000'000), readings).at(0);
  CHECK_FALSE(row.busiest.by_convolution);
  CHECK(*row.busiest_bps <= busiest_bps(std::vector<Load>(3, {4e6, 18.4e6}), 1e-6));
  CHECK(*row.busiest_bps == Approx(bounded_bps(std::vector<Crowd>{{LoadDistribution(Load{4e6, 18.4e6}), 1},
                                                                  {LoadDistribution({{42'500, 96}, {230'000, 4}}, 100, 4e6), 2}}, 1e-6)));
  CHECK(row.method.find("Chernoff's bound, from mean and peak where") != std::string::npos);
  CHECK(nlohmann::json(row).at("busiest_grid_steps").is_null());
}

TEST_CASE("how many more units fit: by the mean against the ceiling, by the busiest instant against the speed") {
  // 700 Mbit/s of ceiling holds 175 units of 4 Mbit/s; with them the busiest instant is far from 1 Gbit/s.
  auto row = row_of(40, 1'000'000'000);
  CHECK(row.more.units == 135);
  CHECK(row.more.limited_by == "ceiling");
  CHECK(row.more.like == "camera/unit-0");
  // 100 Mbit/s: 70 hold 17 units by the mean. By the busiest instant at 1e-2, n units need 3.4 n + 15 k, k the least with
  // P(X > k) <= 1e-2, whole-number fractions: 11 units 67.4 (k = 2), 12 to 17 units 85.8 to 102.8 (k = 3): 16 fit.
  row = row_of(10, 100'000'000, 1e-2);
  CHECK(row.more.units == 6);
  CHECK(row.more.limited_by == "busiest_instant");
  // Over the ceiling already, over the speed at the busiest instant already.
  row = row_of(20, 100'000'000, 1e-2);
  CHECK(row.more.units == 0);
  row = row_of(17, 100'000'000, 1e-6);
  CHECK(row.more.units == 0);
  CHECK(row.more.limited_by == "busiest_instant");
  row = row_of(17, 100'000'000, 0.5);
  CHECK(row.more.units == 0);
  CHECK(row.more.limited_by == "ceiling");
}

TEST_CASE("how many more fit is not told where a stream is not measured, but that none does is") {
  const auto design = one_switch(5, 1'000'000'000);
  auto row = headroom_of(design, metered(4)).at(0);
  CHECK_FALSE(row.more.units);
  CHECK(row.more.unread == "1 of 5 streams that cross it could not be metered");
  CHECK_FALSE(row.buffer.bytes);
  CHECK(row.buffer.unread.find("1 of 5 streams") != std::string::npos);
  row = headroom_of(one_switch(5, 10'000'000), metered(4)).at(0);
  CHECK(row.more.units == 0);
  row = headroom_of(design, {}).at(0);
  CHECK(row.more.unread == "5 of 5 streams that cross it could not be metered");
  CHECK_FALSE(row.busiest_bps);
}

TEST_CASE("what waits before the uplink when all key frames start together") {
  // By hand: 92 000 octets at 100 Mbit/s take 7.36 ms; twenty units bring 1 840 000, of which 1 Gbit/s drains 920 000.
  const auto row = row_of(20, 1'000'000'000);
  CHECK(*row.buffer.bytes == Approx(920'000));
  CHECK(row.buffer.method.find("no standard MIB") != std::string::npos);
  // The port is linked at 1 Gbit/s, whatever the design says: 0.736 ms bring all, 92 000 drain.
  auto readings = metered(20);
  for (int i = 0; i < 20; ++i) readings.push_back(read_number("camera/unit-" + std::to_string(i), "link_speed_bps", 1e9, "", noon));
  CHECK(*headroom_of(one_switch(20, 1'000'000'000), readings).at(0).buffer.bytes == Approx(1'748'000));
}

TEST_CASE("an uplink that holds by chance alone is a finding, one that never holds or always does is not that one") {
  const auto found = [](int units, std::uint64_t uplink_bps) { return find_collisions({row_of(units, uplink_bps)}); };
  const auto findings = found(40, 400'000'000);  // 286 Mbit/s at random phases, 736 together
  REQUIRE(findings.size() == 1);
  CHECK(findings[0].id == "uplink_key_frames_together");
  CHECK(findings[0].subject == "switch/hall/uplink/up");
  CHECK(findings[0].sentence.find("736 Mbit/s in 100 ms") != std::string::npos);
  CHECK(findings[0].evidence.at(0).find("assumption") != std::string::npos);
  CHECK(found(40, 1'000'000'000).empty());
  CHECK(found(40, 200'000'000).empty());  // the busiest instant itself is too high: uplink_busiest_instant
}

TEST_CASE("streams whose key frames were not seen twice are told") {
  auto readings = metered(3);
  for (auto& r : readings)
    if (r.subject == stream_of(2) && r.quantity == "gop_frames") r = unread(r.subject, r.quantity, "fewer than two key frames were received", noon);
  const auto row = headroom_of(one_switch(3, 1'000'000'000), readings).at(0);
  CHECK(row.method.find("of 1 of 3 streams fewer than two key frames were seen") != std::string::npos);
}

TEST_CASE("an answer has every key, null where there is nothing") {
  const nlohmann::json full = row_of(4, 1'000'000'000), none = headroom_of(one_switch(4, 1'000'000'000), {}).at(0);
  CHECK(full.size() == none.size());
  for (const char* key : {"busiest_bps", "busiest_by", "busiest_exceeded_ratio", "busiest_window_ms", "busiest_grid_steps", "busiest_grid_step_bps",
                          "busiest_rounding_bps", "busiest_error_ratio", "windows_seen_least", "together_bps", "more_units", "more_units_like",
                          "more_units_limited_by", "buffer_needed_bytes", "buffer_method"}) {
    CAPTURE(key);
    CHECK_FALSE(full.at(key).is_null());
    CHECK(none.at(key).is_null());
  }
  CHECK(full.at("unread").is_null());
  CHECK(full.at("more_units_unread").is_null());
  CHECK(none.at("buffer_unread").is_string());
}

namespace {

// Two switches, a recorder on each, and one uplink between them. Units 0, 1, 2 … hang on "hall", the others on "yard"; each is
// recorded at the other end.
config::Design crossed(int from_hall, int from_yard, std::uint64_t uplink_bps) {
  auto d = one_switch(from_hall + from_yard, uplink_bps);
  d.switches[0].uplinks[0].to = "yard";
  d.switches.push_back({"yard", "", "198.51.100.3", {}, {}, {}, {}});
  config::Volume at_hall, at_yard;
  at_hall.id = at_yard.id = "1";
  for (int i = 0; i < from_hall + from_yard; ++i) {
    auto& camera = d.cameras[static_cast<std::size_t>(i)];
    if (i >= from_hall) camera.switch_id = "yard";
    (i < from_hall ? at_yard : at_hall).streams.push_back(camera.id + "/1/main");
  }
  d.recorders = {{"by-hall", "", "198.51.100.4", "hall", "9", {at_hall}}, {"by-yard", "", "198.51.100.5", "yard", "9", {at_yard}}};
  return d;
}

}  // namespace

// IEEE Std 802.3, 1.4 "full duplex": both ends send at the same time, each at the speed of the link.
TEST_CASE("a link carries each way at its full speed: the row is of the worse way, not of the sum") {
  // 60 % one way, 56 % the other: 116 % if they were added.
  const auto row = headroom_of(crossed(15, 14, 100'000'000), metered(29)).at(0);
  CHECK(row.streams == 15);
  CHECK(*row.measured_bps == Approx(60e6));
  CHECK(row.designed_bps == Approx(15 * designed_wire_bps(4e6)));
  CHECK(row.direction == "towards switch yard");
  CHECK(row.method.find("towards switch yard") != std::string::npos);
  CHECK(nlohmann::json(row).at("direction") == "towards switch yard");
  CHECK(*row.together_bps == Approx(15 * 18.4e6));
  // 70 Mbit/s of ceiling leave two units of 4 Mbit/s; alone on the link the same 15 make the same row.
  auto alone = crossed(15, 0, 100'000'000);
  const auto same = headroom_of(alone, metered(15)).at(0);
  CHECK(row.more.units == same.more.units);
  CHECK(row.more.like == same.more.like);
  CHECK(*row.busiest_bps == *same.busiest_bps);
}

TEST_CASE("against the uplink's own direction the far end is named too") {
  const auto row = headroom_of(crossed(2, 5, 100'000'000), metered(7)).at(0);
  CHECK(row.streams == 5);
  CHECK(row.direction == "towards switch hall");
  CHECK(headroom_of(one_switch(1, 100'000'000), metered(1)).at(0).direction == "towards the core");
  CHECK(nlohmann::json(headroom_of(crossed(0, 0, 100'000'000), {}).at(0)).at("direction").is_null());
}

TEST_CASE("a way that could not be read is not passed by the other, and one that is over comes first") {
  // Only the units of "hall" are metered.
  auto row = headroom_of(crossed(5, 1, 100'000'000), metered(5)).at(0);
  CHECK(row.direction == "towards switch hall");
  CHECK_FALSE(row.measured_bps);
  CHECK(row.unread == "1 of 1 stream that cross it could not be metered");
  row = headroom_of(crossed(20, 1, 100'000'000), metered(20)).at(0);
  CHECK(row.direction == "towards switch yard");
  CHECK(*row.measured_bps == Approx(80e6));
}
