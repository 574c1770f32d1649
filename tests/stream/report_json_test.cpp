// A report's JSON: one definition for text and tree.
#include "probes/json_text.hpp"
#include "probes/stream/report.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <cmath>
#include <set>

using namespace tallywire;
using namespace tallywire::stream;
using nlohmann::json;

namespace {

json text_of(const StreamReport& report) {
  JsonText text;
  text.begin_object();
  write_fields(text, report);
  text.key("unread");
  text.begin_object();
  text.fields(report.unread);
  text.end_object();
  text.end_object();
  return json::parse(text.text());
}

StreamReport full_report() {
  StreamReport r;
  r.transport = "tcp";
  r.codec = "H264";
  r.width = 1920;
  r.height = 1080;
  r.profile = "High";
  r.level = "4.1";
  r.frame_rate_hz = 24.97502497502498;
  r.gop_frames_min = 50;
  r.payload_bps = 4e6;
  r.peak_bps = {{10, 12e6}, {100, 6e6}, {1000, 4.1e6}};
  r.windows = {{10, {{0, 3}, {1024, 7}}}, {1000, {}}};
  r.packets = 3577;
  r.loss_ratio = std::nan("");
  r.ssrc = 0xfedcba98;
  r.sender_reports = SenderReportSummary{4, 900, std::nullopt, -12.5, 0.25};
  r.window_gops = 4;
  r.window_s = 8.0;
  r.uncertainty["frame_rate_hz"] = 0.02;
  r.gaps = {{2.0, 0.35}};
  TrackReport track;
  track.kind = "audio";
  track.codec = "PCMU";
  track.packets = 12;
  track.ssrc = 7;
  track.unread["frames"] = "this codec has no frames to count";
  r.tracks = {track};
  SessionSummary session;
  session.rtsp_version = "1.0";
  session.server = "cam\xff\"one\"\n";
  session.left_out = {"application: it is of no known format"};
  session.tls_version = "TLSv1.3";
  session.tls_cipher = "TLS_AES_128_GCM_SHA256";
  session.certificate = Certificate{};
  session.certificate->sha256 = "00ff";
  session.certificate->self_signed = true;
  r.session = session;
  r.source = "192.0.2.10:554";
  r.destination = "192.0.2.1:40000";
  r.findings = {"look at this (RFC 6184 §5.4)"};
  r.unread = {{"vui_frame_rate_hz", "the parameter sets carry no timing"}};
  r.method = "RTP over tcp, 4 whole GOPs in 8.0 s";
  return r;
}

}  // namespace

TEST_CASE("a full report is the same object as text and as tree") {
  const auto report = full_report();
  const auto told = text_of(report);
  CHECK(told == json(report));
  CHECK(told.at("frame_rate_hz") == 24.97502497502498);
  CHECK(told.at("arrival_frame_rate_hz").is_null());
  CHECK(told.at("loss_ratio").is_null());
  CHECK(told.at("ssrc") == 4275878552u);
  CHECK(told.at("peak_bps") == json{{"10", 12e6}, {"100", 6e6}, {"1000", 4.1e6}});
  CHECK(told.at("windows") == json{{"10", {{0, 3}, {1024, 7}}}, {"1000", json::array()}});
  CHECK(told.at("window") == json{{"gops", 4}, {"seconds", 8}});
  CHECK(told.at("sender_reports") == json{{"count", 4}, {"sent_packets", 900}, {"received_packets", nullptr},
                                          {"clock_offset_ms", -12.5}, {"clock_offset_uncertainty_ms", 0.25}});
  CHECK(told.at("uncertainty") == json{{"frame_rate_hz", 0.02}});
  CHECK(told.at("gaps") == json::array({{{"begin_s", 2}, {"duration_s", 0.35}}}));
  CHECK(told.at("session").at("server") == "cam\xef\xbf\xbd\"one\"\n");  // U+FFFD
  CHECK(told.at("session").at("broke_off").is_null());
  CHECK(told.at("session").at("tls").at("certificate").at("self_signed") == true);
  CHECK(told.at("tracks") == json::array({json(report.tracks[0])}));
  CHECK(told.at("tracks")[0].at("unread").size() == 1);
  CHECK(told.at("findings") == json{"look at this (RFC 6184 §5.4)"});
  CHECK(told.at("unread") == json{{"vui_frame_rate_hz", "the parameter sets carry no timing"}});
}

TEST_CASE("an empty report has every field, and a reason for each that is null") {
  const auto report = unread_report("nobody answered", SystemTime{});
  const auto told = text_of(report);
  CHECK(told == json(report));
  CHECK(told.size() == text_of(full_report()).size());
  std::set<std::string> without_reason;
  for (const auto& [name, value] : told.items())
    if (value.is_null() && !told.at("unread").contains(name)) without_reason.insert(name);
  CHECK(without_reason.empty());
  CHECK(told.at("tracks") == json::array());
  CHECK(told.at("findings") == json::array());
}

TEST_CASE("the reading of the windows is never below what was counted, and knows the peak") {
  StreamReport r;
  r.payload_bps = 4e6;
  r.wire_bps = 5e6;
  r.duration_s = 10;
  // Classes by their lower edge; 1/16 of an octave above 1024 is 1088. The peak of any 100 ms lies above all that were counted.
  r.windows = {{10, {{0, 3}}, 0}, {100, {{0, 5}, {1024, 7}, {16384, 2}}, 18'000}};
  r.keyframe_bytes_max = 60'000;
  std::optional<Reading> windows, key;
  for (const auto& reading : to_readings(r, "camera/a/head/1/stream/main")) {
    if (reading.quantity == "wire_windows_100ms") windows = reading;
    if (reading.quantity == "keyframe_bytes_max") key = reading;
  }
  REQUIRE(windows);
  CHECK(windows->over == std::chrono::seconds(10));
  CHECK(windows->word() == "0:5 1360:7 21760:1 22500:1");  // 1088, 17408 and 18000 times 1.25
  CHECK(key->number() == 60'000);
  // No class goes above the peak; the topmost window is the peak.
  r.windows = {{100, {{1024, 7}, {16384, 2}}, 17'000}};
  for (const auto& reading : to_readings(r, "x"))
    if (reading.quantity == "wire_windows_100ms") CHECK(reading.word() == "1360:7 21250:2");
  r.windows = {{100, {{1024, 1}}, 1030}};
  for (const auto& reading : to_readings(r, "x"))
    if (reading.quantity == "wire_windows_100ms") CHECK(reading.word() == "1288:1");
  r.windows.clear();
  for (const auto& reading : to_readings(r, "x"))
    if (reading.quantity == "wire_windows_100ms") CHECK_FALSE(reading.is_read());
}
