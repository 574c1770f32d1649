// Which stream of the design one on the wire is, and what a tap with a design answers.
#include "daemon/round/tap_answer.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;

namespace {

config::Stream promised(const std::string& id, const std::string& path, int width) {
  config::Stream out;
  out.id = id;
  out.codec = "H264";
  out.width_px = width;
  out.height_px = width * 9 / 16;
  out.frame_rate_hz = 25;
  out.bit_rate_bps = 4'000'000;
  if (!path.empty()) out.path = path;
  return out;
}

// One unit of two heads that are alike, with paths or without.
config::Design design(bool with_paths) {
  config::Design out;
  config::Camera camera;
  camera.id = "gate";
  camera.address = "192.0.2.10";
  for (const char* head : {"1", "2"}) {
    config::Head h;
    h.id = head;
    h.streams = {promised("main", with_paths ? "/head/" + std::string(head) + "/main" : "", 1920)};
    camera.heads.push_back(h);
  }
  camera.heads[0].streams.push_back(promised("small", "", 640));
  out.cameras.push_back(camera);
  return out;
}

tap::TappedStream seen(const std::string& source, int width, const std::string& url = "", const std::string& codec = "H264") {
  tap::TappedStream out;
  out.report.source = source;
  out.report.codec = codec;
  if (width > 0) {
    out.report.width = width;
    out.report.height = width * 9 / 16;
  }
  if (!url.empty()) out.url = url;
  return out;
}

}  // namespace

TEST_CASE("the path of the URL tells which stream it is, whatever else is alike") {
  tap::TapReport report;
  report.streams = {seen("192.0.2.10:5000", 1920, "rtsp://192.0.2.10/head/2/main"), seen("192.0.2.10:5002", 1920, "rtsp://192.0.2.10:554/head/1/main"),
                    seen("192.0.2.10:5004", 640), seen("192.0.2.10:5006", 0, "rtsp://192.0.2.10/head/1/main", "PCMU"), seen("198.51.100.9:5000", 1920)};
  const auto matches = round::match_streams(design(true), report);
  REQUIRE(matches.size() == 5);
  CHECK(matches[0].subject == "camera/gate/head/2/stream/main");
  CHECK(matches[1].subject == "camera/gate/head/1/stream/main");
  CHECK(matches[2].subject == "camera/gate/head/1/stream/small");  // the only one of that size
  CHECK(matches[3].camera == "gate");
  CHECK(matches[3].subject.empty());
  CHECK(matches[4].camera.empty());
  CHECK_FALSE(matches[4].reason.empty());
}

TEST_CASE("heads that look alike are not told apart by guessing") {
  tap::TapReport report;
  report.streams = {seen("192.0.2.10:5000", 1920), seen("192.0.2.10:5002", 1920)};
  for (const auto& match : round::match_streams(design(false), report)) {
    CHECK(match.camera == "gate");
    CHECK(match.subject.empty());
    CHECK(match.reason.find("look alike") != std::string::npos);
  }
}

TEST_CASE("a stream of the design that nobody saw is unread, not met") {
  tap::TapReport report;
  report.streams = {seen("192.0.2.10:5004", 640)};
  const auto d = design(true);
  const auto answer = round::answer_of(report, &d, SystemTime{});
  CHECK(answer.answer.at("verdicts").size() > 0);
  bool unseen = false;
  for (const auto& verdict : answer.answer.at("verdicts"))
    if (verdict.at("subject") == "camera/gate/head/2/stream/main") {
      CHECK(verdict.at("verdict") == "unread");
      unseen = true;
    }
  CHECK(unseen);
  CHECK(answer.exit_code != 0);
  CHECK(round::answer_of(report, nullptr, SystemTime{}).answer.at("verdicts").is_null());
}
