#include "tests/camera/unit.hpp"

#include "probes/camera/media.hpp"

using namespace tallywire;
using namespace tallywire::camera;
using namespace tallywire::camera::testing;

namespace {

MediaReport media_of(const FourHeads& unit) {
  const auto told = told_by([&](const std::string& request) { return Said{unit.answer(request)}; });
  REQUIRE(told.report.media);
  return *told.report.media;
}

}  // namespace

TEST_CASE("A four-head unit tells its heads in the order of its video sources, and where each stream is") {
  const auto media = media_of({});
  CHECK(media.version == wire::MediaVersion::media2);
  CHECK(media.video_sources == std::vector<std::string>{"lens1", "lens2", "lens3", "lens4"});
  REQUIRE(media.streams.size() == 8);
  CHECK(media.streams[0].profile.token == "p3view");  // the unit's own order
  CHECK(media.streams[0].url == "rtsp://127.0.0.1:5554/p3view");
  CHECK(media.snapshot_urls.size() == 4);
  CHECK(media.snapshot_urls.at("lens3") == "http://127.0.0.1:80/snap/p3view");
  CHECK(media.notes.empty());
}

TEST_CASE("A unit behind an address translator is asked at its own address, and that is told") {
  const auto media = media_of({.told_host = "192.0.2.77"});
  REQUIRE(media.streams.size() == 8);
  for (const auto& stream : media.streams) CHECK(stream.url.rfind("rtsp://127.0.0.1:5554/", 0) == 0);
  REQUIRE(media.notes.size() == 1);
  CHECK(holds(media.notes[0], "another address"));
}

TEST_CASE("Without version 1 heads go by the profiles, and that is told") {
  const auto media = media_of({.media1 = false});
  CHECK(media.video_sources == std::vector<std::string>{"lens3", "lens1", "lens4", "lens2"});
  REQUIRE(media.notes.size() == 1);
  CHECK(holds(media.notes[0], "order of the unit's profiles"));
}

TEST_CASE("A unit without a media service says so") {
  const FourHeads none{.media2 = false, .media1 = false};
  const auto told = told_by([&](const std::string& request) { return Said{none.answer(request)}; });
  CHECK_FALSE(told.report.media);
  CHECK(told.report.unread.at("media") == "the unit offers no media service");
}

TEST_CASE("One address that a unit does not tell leaves the others read") {
  const FourHeads unit;
  const auto told = told_by([&](const std::string& request) {
    const bool odd = holds(request, "<GetStreamUri") && holds(request, ">p1main<");
    return Said{odd ? http("500 Internal Server Error", envelope("<e:Fault><e:Reason><e:Text>busy</e:Text></e:Reason></e:Fault>"))
                    : unit.answer(request)};
  });
  REQUIRE(told.report.media);
  int unread = 0;
  for (const auto& stream : told.report.media->streams) {
    unread += stream.url.empty();
    if (stream.url.empty()) CHECK(stream.url_unread == "the unit answered a fault: busy");
  }
  CHECK(unread == 1);
}

TEST_CASE("A unit that falls silent is not asked on and on") {
  const FourHeads unit;
  const auto told = told_by([&](const std::string& request) {
    if (holds(request, "<GetStreamUri")) return Said{"", Said::Then::hold};
    return Said{unit.answer(request)};
  }, {http("200 OK", time_body())}, 400ms);
  REQUIRE(told.report.media);
  const auto asked = std::count_if(told.asked.begin(), told.asked.end(),
                                   [](const auto& request) { return holds(request, "<GetStreamUri"); });
  CHECK(asked == 1);
  for (const auto& stream : told.report.media->streams) CHECK(holds(stream.url_unread, "took longer than 0.4 s"));
}

TEST_CASE("URLs are put on the unit's own host; what is no such URL is none") {
  bool replaced = false;
  CHECK(on_own_host("rtsp://192.0.2.9/a?b=c", "192.0.2.1", {"rtsp"}, replaced) == "rtsp://192.0.2.1:554/a?b=c");
  CHECK(replaced);
  CHECK(on_own_host("rtsp://user:word@[2001:db8::1]:8554/a", "2001:db8:0::1", {"rtsp"}, replaced) ==
        "rtsp://[2001:db8::1]:8554/a");
  CHECK_FALSE(replaced);
  CHECK(on_own_host("rtsp://camera.example/a", "192.0.2.1", {"rtsp"}, replaced) == "rtsp://192.0.2.1:554/a");
  CHECK_FALSE(on_own_host("http://192.0.2.1/a", "192.0.2.1", {"rtsp"}, replaced));
  CHECK_FALSE(on_own_host("not a URL", "192.0.2.1", {"rtsp"}, replaced));
}

TEST_CASE("No password of a URL is kept") {
  CHECK(without_secrets("rtsp://192.0.2.1:554/live?channel=1&password=abc&subtype=0", "") ==
        "rtsp://192.0.2.1:554/live?channel=1&password=…&subtype=0");
  CHECK(without_secrets("rtsp://192.0.2.1:554/four/rails9/a", "rails9") == "rtsp://192.0.2.1:554/four/…/a");
  CHECK(without_secrets("rtsp://192.0.2.1:554/head/1/main", "x9") == "rtsp://192.0.2.1:554/head/1/main");
}
