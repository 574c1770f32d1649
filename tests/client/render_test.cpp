#include "daemon/client/render.hpp"

#include "probes/stream/report.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace tallywire::client;
using nlohmann::json;

namespace {

json verdict(const char* subject, const char* quantity, const char* kind, json value, const char* reason) {
  return {{"subject", subject}, {"quantity", quantity}, {"verdict", kind}, {"reason", reason},
          {"target", {{"text", "15 frames/s, 5 % either way"}}}, {"reading", {{"value", value}}}};
}

json round_of(json verdicts) {
  return {{"round", 7}, {"site", "Tram depot"}, {"state", "complete"}, {"roll", json::array()}, {"strangers", json::array()},
          {"verdicts", std::move(verdicts)}, {"findings", json::array()}, {"headroom", json::array()},
          {"counts", {{"met", 3}, {"tight", 0}, {"missed", 1}, {"unread", 2}}}};
}

bool has(const std::string& text, const char* part) { return text.find(part) != std::string::npos; }

}  // namespace

TEST_CASE("a round tells what is missed with target and reading, and a reason once for all that it hides") {
  const auto text = render_round(round_of(json::array({
      verdict("camera/workshop/head/1/stream/main", "frame_rate_hz", "missed", 9, "9 is below 14.25"),
      verdict("camera/wash-bay/head/1/stream/main", "codec", "unread", nullptr, "the unit is not there"),
      verdict("camera/wash-bay/head/1/stream/main", "frame_rate_hz", "unread", nullptr, "the unit is not there")})));
  CHECK(has(text, "missed  workshop, head 1, stream main  frame rate  9 frames/s  target: 15 frames/s, 5 % either way"));
  CHECK(has(text, "unread  2 targets  wash-bay: the unit is not there"));
  CHECK(has(text, "3 met, 0 tight, 1 missed, 2 unread."));
}

TEST_CASE("a stream is told as a person reads it: what it is first, and a reason once for all that it hides") {
  tallywire::stream::StreamReport report;
  report.transport = "udp";
  report.codec = "H264";
  report.width = 1920;
  report.height = 1080;
  report.frame_rate_hz = 25;
  report.uncertainty["frame_rate_hz"] = 0.02;
  report.payload_bps = 4e6;
  report.peak_bps = {{10, 12e6}, {100, 6e6}};
  report.packets = 3577;
  report.lost_packets = 0;
  report.gaps = {{2.0, 0.35}};
  report.findings = {"look at this"};
  report.unread = {{"gop_s", "too short"}, {"gop_frames", "too short"}};
  const auto text = render_stream(json(report));
  CHECK(text.find("  picture       H264, 1920 x 1080\n") == 0);
  CHECK(has(text, "frames        25 ± 0.02 frames/s by time stamps\n"));
  CHECK(has(text, "bit rate      4 Mbit/s of payload\n"));
  CHECK(has(text, "busiest       12 Mbit/s in 10 ms, 6 Mbit/s in 100 ms\n"));
  CHECK(has(text, "packets       3577, 0 lost\n"));
  CHECK(has(text, "gap           0.35 s, 2 s after the first packet\n"));
  CHECK(has(text, "  - look at this\n"));
  CHECK(has(text, "gop frames, gop: too short\n"));
  CHECK_FALSE(has(text, "uncertainty"));
}

namespace {

json uplink(const char* id) {
  return {{"uplink", std::string("switch/hall/uplink/") + id}, {"speed_bps", 1e8}, {"ceiling_bps", 7e7}, {"designed_bps", 41e6}, {"measured_bps", 40.1e6},
          {"busiest_bps", 61e6}, {"busiest_exceeded_ratio", 3.3e-7}, {"busiest_by", "convolution"}, {"busiest_window_ms", 100}, {"windows_seen_least", 250},
          {"together_bps", 184e6}, {"more_units", 4}, {"more_units_like", "camera/gate-north"}, {"more_units_limited_by", "ceiling"},
          {"more_units_unread", nullptr}, {"buffer_needed_bytes", 1.2e6}, {"streams", 10}, {"streams_measured", 10}, {"unread", nullptr}};
}

}  // namespace

TEST_CASE("an uplink is told against its limits, with what would bring it over them") {
  auto over = uplink("yard");
  over["measured_bps"] = 75e6;
  over["more_units"] = 0;
  auto unread = uplink("far");
  for (const char* key : {"measured_bps", "busiest_bps", "busiest_exceeded_ratio", "together_bps", "more_units", "more_units_like", "buffer_needed_bytes"})
    unread[key] = nullptr;
  unread["unread"] = unread["more_units_unread"] = "10 of 10 streams that cross it could not be metered";
  const auto text = render_headroom({{"round", 3}, {"uplinks", {uplink("up"), over, unread}}});
  CHECK(text.find("Of round 3:\n") == 0);
  CHECK(has(text, "40.1 Mbit/s, 57 %"));
  CHECK(has(text, "61 Mbit/s, 61 %"));
  CHECK(has(text, "184 Mbit/s, 184 % OVER"));
  CHECK(has(text, "75 Mbit/s, 107 % OVER"));
  CHECK(has(text, "room for 4 more like gate-north, the heaviest unit on it; by the mean, against the ceiling"));
  CHECK(has(text, "no further unit like gate-north fits"));
  CHECK(has(text, "must hold 1.2 MB back"));
  CHECK(has(text, "convolution of what was measured; a window is above it with a probability of at most 3.3e-07; each stream was seen in 250 windows"));
  CHECK(has(text, "unread: 10 of 10 streams that cross it could not be metered"));
  CHECK(has(text, "That is an assumption"));
}

TEST_CASE("uplinks of a round that an older version recorded, and of none") {
  json old = {{"uplink", "switch/hall/uplink/up"}, {"speed_bps", 1e8}, {"ceiling_bps", 7e7}, {"designed_bps", 41e6}, {"measured_bps", nullptr},
              {"busiest_bps", 61e6}, {"busiest_risk_ratio", 1e-6}, {"streams", 10}, {"streams_measured", 9}, {"method", ""}, {"unread", "1 of 10"}};
  const auto text = render_headroom({{"round", nullptr}, {"uplinks", {old}}});
  CHECK(has(text, "61 Mbit/s, 61 %"));
  CHECK(has(text, "9 of 10"));
  CHECK(has(render_headroom({{"round", nullptr}, {"uplinks", json::array()}}), "tallywire round"));
}

TEST_CASE("columns stand under each other, whatever letters the names have") {
  const auto text = render_roll({{"cameras", json::array({{{"camera", "tür"}, {"presence", "lost"}}, {{"camera", "tor"}, {"presence", "lost"}}})},
                                 {"strangers", json::array()}});
  std::vector<std::size_t> columns;
  for (std::size_t at = text.find("t"); at < text.size(); at = text.find('\n', at) + 1) {
    const auto line = text.substr(at, text.find('\n', at) - at);
    if (const auto found = line.find("lost"); found != std::string::npos)
      columns.push_back(found - static_cast<std::size_t>(line.find("tür") != std::string::npos));  // ü has two octets
  }
  REQUIRE(columns.size() == 2);
  CHECK(columns[0] == columns[1]);
}

TEST_CASE("fields that were not read are told with their reason") {
  const auto text = render_fields({{"codec", "H264"}, {"frame_rate_hz", nullptr}, {"unread", {{"frame_rate_hz", "one frame came"}}},
                                   {"findings", {"the time stamps stand still"}}});
  CHECK(has(text, "unread: one frame came"));
  CHECK(has(text, "  - the time stamps stand still"));
}

TEST_CASE("commands whose work can hurt someone bring their cautions") {
  CHECK(has(cautions_of("round"), "work at height"));
  CHECK(has(cautions_of("path"), "only networks you are asked to"));
  CHECK(cautions_of("design check").empty());
}

TEST_CASE("the bench tells time left, the room of the guide, what does not match, and what nobody measured") {
  json unit = {{"camera", "quad"}, {"place", "Hall"}, {"state", "nearly"}, {"powered_since", "2026-11-25T12:00:00.000Z"}, {"powered_for_s", 1500.2},
               {"power_on_seen", true}, {"limit_s", 1800}, {"left_s", 299.8}, {"ambient_min_c", 0}, {"ambient_max_c", 40}, {"restarts", json::array()},
               {"off_since", nullptr}, {"off_before_s", nullptr}, {"serial", "TD-0036"}, {"model", "a model"}, {"firmware", "7.1"}, {"heads", nullptr},
               {"verdicts", {{{"quantity", "serial"}, {"verdict", "met"}, {"target", {{"word", "TD-0036"}, {"promised", nullptr}}}, {"reason", ""}},
                             {{"quantity", "firmware"}, {"verdict", "missed"}, {"target", {{"word", "7.2"}, {"promised", nullptr}}}, {"reason", ""}},
                             {{"quantity", "heads"}, {"verdict", "unread"}, {"target", {{"word", nullptr}, {"promised", 4}}}, {"reason", "login refused"}}}}};
  const auto render = [](json u) {
    return render_bench({{"at", "2026-11-25T12:25:00.200Z"}, {"units", {std::move(u)}}, {"findings", json::array()},
                         {"unread", {{"ambient_c", "Tallywire does not measure the room"}}}});
  };
  const auto text = render(unit);
  CHECK(has(text, "NEARLY AT ITS LIMIT"));
  CHECK(has(text, "25:00"));
  CHECK(has(text, "30:00"));
  CHECK(has(text, "4:59"));
  CHECK(has(text, "between 0 and 40 °C"));
  CHECK(has(text, "Tallywire does not measure the room"));
  CHECK(has(text, "TD-0036 met"));
  CHECK(has(text, "7.1 MISSED, designed 7.2"));
  CHECK(has(text, "a model, not in the design"));
  CHECK(has(text, "unread  quad: heads: login refused"));
  unit.update({{"state", "no_limit"}, {"limit_s", nullptr}, {"left_s", nullptr}, {"power_on_seen", false}, {"ambient_min_c", nullptr}, {"ambient_max_c", nullptr},
               {"restarts", {"2026-11-25T12:10:00.000Z"}}});
  const auto other = render(unit);
  CHECK(has(other, "at least 25:00"));
  CHECK(has(other, "quad: the design gives no limit"));
  CHECK(has(other, "quad: its power-on was not seen"));
  CHECK(has(other, "restarted at 2026-11-25T12:10:00.000Z; the clock runs on"));
  CHECK_FALSE(has(other, "°C"));
  CHECK(has(cautions_of("bench"), "hot"));
}
