#include "daemon/round/told_media.hpp"

#include <catch2/catch.hpp>

#include <algorithm>

using namespace tallywire;
using namespace tallywire::round;

namespace {

config::Stream stream(const char* id) {
  config::Stream out;
  out.id = id;
  out.codec = "H264";
  out.width_px = 1280;
  out.height_px = 720;
  out.frame_rate_hz = 15;
  out.bit_rate_bps = 2'000'000;
  return out;
}

config::Camera two_heads() {
  config::Camera out;
  out.id = "yard";
  out.address = "192.0.2.10";
  out.heads = {{"left", "", {stream("main")}}, {"right", "", {stream("main")}}};
  return out;
}

ToldMedia told() {
  ToldMedia out;
  out.media.emplace();
  out.media->video_sources = {"s1", "s2"};
  for (const char* source : {"s2", "s1"}) {
    camera::OfferedStream offered;
    offered.profile.token = "p" + std::string(source);
    offered.profile.video_source = source;
    offered.profile.encoder = {"e" + std::string(source), "H264", 1280, 720, 15.0, 0, 2e6, 30, "Main"};
    offered.url = "rtsp://192.0.2.10:554/" + std::string(source) + "?token=abc";
    out.media->streams.push_back(offered);
    out.media->snapshot_urls[source] = "http://192.0.2.10:80/" + std::string(source);
  }
  return out;
}

const Reading& reading_of(const std::vector<Reading>& all, const std::string& subject, const std::string& quantity) {
  const auto at = std::find_if(all.begin(), all.end(),
                               [&](const auto& r) { return r.subject == subject && r.quantity == quantity; });
  REQUIRE(at != all.end());
  return *at;
}

}  // namespace

TEST_CASE("A stream without a path is where the unit says its head's stream is") {
  const auto camera = two_heads();
  CHECK(url_of(camera, camera.heads[0], camera.heads[0].streams[0], told()).value() == "rtsp://192.0.2.10:554/s1?token=abc");
  CHECK(url_of(camera, camera.heads[1], camera.heads[1].streams[0], told()).value() == "rtsp://192.0.2.10:554/s2?token=abc");
}

TEST_CASE("A head that the design gives a video source is that one") {
  auto camera = two_heads();
  camera.heads[0].video_source = "s2";
  CHECK(url_of(camera, camera.heads[0], camera.heads[0].streams[0], told()).value() == "rtsp://192.0.2.10:554/s2?token=abc");
}

TEST_CASE("A path of the design is kept, asked or not") {
  auto camera = two_heads();
  auto& one = camera.heads[0].streams[0];
  one.path = "/mine";
  CHECK(url_of(camera, camera.heads[0], one, told()).value() == "rtsp://192.0.2.10:554/mine");
  CHECK(url_of(camera, camera.heads[0], one, {}).value() == "rtsp://192.0.2.10:554/mine");
}

TEST_CASE("A unit that could not be asked leaves the stream without an address, with its reason") {
  const auto camera = two_heads();
  ToldMedia none;
  none.unread = "login refused";
  const auto url = url_of(camera, camera.heads[0], camera.heads[0].streams[0], none);
  REQUIRE_FALSE(url.has_value());
  CHECK(url.error().what == "the unit's streams are unread: login refused");
  for (const auto& reading : readings_told(camera, none, "", SystemTime{}))
    CHECK(reading.unread.find("login refused") != std::string::npos);
}

TEST_CASE("Every stream and head is read as told, addresses without their secrets") {
  auto camera = two_heads();
  camera.heads[1].streams[0].path = "/elsewhere";
  const auto readings = readings_told(camera, told(), "", SystemTime{});
  const auto left = config::subject_of(camera, camera.heads[0], camera.heads[0].streams[0]);
  const auto right = config::subject_of(camera, camera.heads[1], camera.heads[1].streams[0]);
  CHECK(reading_of(readings, left, "told_codec").word() == "H264");
  CHECK(reading_of(readings, left, "told_gop_frames").number() == 30);
  CHECK(reading_of(readings, left, "told_stream_url").word() == "rtsp://192.0.2.10:554/s1?token=…");
  CHECK(reading_of(readings, "camera/yard/head/right", "told_snapshot_url").word() == "http://192.0.2.10:80/s2");
  // The unit tells nothing of a stream at a path that it does not name.
  CHECK(reading_of(readings, right, "told_codec").unread == "the unit names no stream with the design's path /elsewhere");
}
