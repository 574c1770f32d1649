#include "probes/camera/resolution.hpp"

#include <catch2/catch.hpp>

#include <algorithm>

using namespace tallywire;
using namespace tallywire::camera;

namespace {

const std::string where = "camera/a/head/1/stream/main";

OfferedStream offered(const std::string& token, const std::string& source, const std::string& codec, int width, int height,
                      double fps, double bps) {
  OfferedStream out;
  out.profile.token = token;
  out.profile.video_source = source;
  out.profile.encoder = {"enc-" + token, codec, width, height, fps, 0, bps, 50, ""};
  out.url = "rtsp://192.0.2.10:554/" + token;
  return out;
}

// Four heads with three streams each, in an order that is nobody's.
MediaReport four_heads() {
  MediaReport out;
  out.video_sources = {"s1", "s2", "s3", "s4"};
  for (const char* head : {"3", "1", "4", "2"}) {
    const auto source = "s" + std::string(head);
    out.streams.push_back(offered("view" + source, source, "H264", 640, 360, 10, 5e5));
    out.streams.push_back(offered("slow" + source, source, "H265", 1920, 1080, 5, 1e6));
    out.streams.push_back(offered("main" + source, source, "H265", 1920, 1080, 25, 4e6));
  }
  return out;
}

WantedStream main_of(std::size_t head) { return {head, {}, "H265", 1920, 1080, 25, 4e6}; }

std::string token_of(const MediaReport& report, const WantedStream& wanted) {
  const auto found = resolve_stream(report, wanted, where);
  return found ? (*found)->profile.token : "none: " + found.error().what;
}

Fault fault_of(const MediaReport& report, const WantedStream& wanted) {
  const auto found = resolve_stream(report, wanted, where);
  REQUIRE_FALSE(found.has_value());
  CHECK(found.error().where == where);
  return found.error();
}

}  // namespace

TEST_CASE("Each head of a four-head unit finds its own stream, whatever the order of the profiles") {
  auto report = four_heads();
  for (int turn = 0; turn < 12; ++turn) {
    for (std::size_t head = 0; head < 4; ++head) CHECK(token_of(report, main_of(head)) == "mains" + std::to_string(head + 1));
    std::rotate(report.streams.begin(), report.streams.begin() + 1, report.streams.end());
  }
}

TEST_CASE("Codec and size must be as designed; of those the nearest frame rate, then the nearest bit rate") {
  auto report = four_heads();
  CHECK(token_of(report, {0, {}, "H264", 640, 360, 12, 1e6}) == "views1");
  CHECK(token_of(report, {0, {}, "H265", 1920, 1080, 8, 9e6}) == "slows1");
  CHECK(token_of(report, {0, {}, "H265", 1920, 1080, 15.5, 1}) == "mains1");
  report.streams.push_back(offered("rich", "s1", "H265", 1920, 1080, 25, 8e6));
  CHECK(token_of(report, {0, {}, "H265", 1920, 1080, 25, 7e6}) == "rich");
  CHECK(token_of(report, {0, {}, "H265", 1920, 1080, 25, 5e6}) == "mains1");
}

TEST_CASE("A head that the design names by its video source is that one") {
  auto wanted = main_of(0);
  wanted.video_source = "s4";
  CHECK(token_of(four_heads(), wanted) == "mains4");
  wanted.video_source = "s9";
  CHECK(fault_of(four_heads(), wanted).what == "the unit has no video source “s9”; it has: s1, s2, s3, s4");
}

TEST_CASE("What is not there is told with what is") {
  const auto fault = fault_of(four_heads(), {1, {}, "H264", 1920, 1080, 25, 4e6});
  CHECK(fault.kind == FaultKind::unsupported);
  CHECK(fault.what.find("(s2) offers no H264 1920x1080") != std::string::npos);
  CHECK(fault.what.find("“views2” H264 640x360, 10 frames/s, 500 kbit/s") != std::string::npos);
  CHECK(fault.what.find("mains2") != std::string::npos);
  CHECK(fault.what.find("mains1") == std::string::npos);  // another head's
  CHECK(fault_of(four_heads(), main_of(4)).what.find("head 5 of a unit with 4 video sources") != std::string::npos);
  CHECK(fault_of({}, main_of(0)).what.find("0 video sources: none") != std::string::npos);
}

TEST_CASE("Two that are equally near are nobody's choice, unless they share an encoder") {
  auto report = four_heads();
  auto twin = offered("twin", "s1", "H265", 1920, 1080, 25, 4e6);
  report.streams.push_back(twin);
  const auto fault = fault_of(report, main_of(0));
  CHECK(fault.what.find("equally near") != std::string::npos);
  CHECK(fault.what.find("twin") != std::string::npos);
  CHECK(token_of(report, main_of(1)) == "mains2");  // the other heads are as they were
  report.streams.back().profile.encoder.token = "enc-mains1";
  CHECK(token_of(report, main_of(0)) == "mains1");
  // 5 and 25 are as far from 15, 1 and 4 Mbit/s as far from 2.5.
  CHECK(fault_of(four_heads(), {0, {}, "H265", 1920, 1080, 15, 2.5e6}).what.find("equally near") != std::string::npos);
}

TEST_CASE("A stream without an address is not resolved") {
  auto report = four_heads();
  for (auto& stream : report.streams) stream.url.clear(), stream.url_unread = "the unit answered a fault: busy";
  CHECK(fault_of(report, main_of(0)).what.find("is unread: the unit answered a fault: busy") != std::string::npos);
}

TEST_CASE("A path of the design finds the stream that has it") {
  auto report = four_heads();
  REQUIRE(find_by_path(report, "/mains2"));
  CHECK(find_by_path(report, "/mains2")->profile.token == "mains2");
  CHECK_FALSE(find_by_path(report, "/mains"));
  report.streams[0].url = "rtsp://192.0.2.10:554/mains2";
  CHECK_FALSE(find_by_path(report, "/mains2"));  // two encoders at one address: nobody knows which
}

TEST_CASE("What a unit tells of a stream, and what it does not") {
  auto report = four_heads();
  auto stream = report.streams[2];
  stream.profile.encoder.gop_frames.reset();
  stream.profile.encoder.frame_rate_uncertainty_hz = 0.5;
  const auto readings = told_readings(report, stream, where, "", SystemTime{});
  REQUIRE(readings.size() == 7);
  CHECK(readings[0].quantity == "told_codec");
  CHECK(readings[0].word() == "H265");
  CHECK(readings[3].number() == 25);
  CHECK(readings[3].uncertainty == 0.5);
  CHECK(readings[4].number() == 4e6);
  CHECK(readings[5].unread == "the unit does not tell");
  CHECK(readings[6].word() == "rtsp://192.0.2.10:554/mains3");
  for (const auto& reading : told_unread(where, "why", SystemTime{})) CHECK(reading.unread == "why");
}
