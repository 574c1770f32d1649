#include "tests/wire/rtsp_script.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::wire;

namespace {

const std::string base = "rtsp://192.0.2.10/head/1/";

TrackPlan planned(const std::string& description, bool every_track = true) {
  const auto session = decode_sdp(description);
  REQUIRE(session);
  auto plan = plan_tracks(*session, base, every_track);
  REQUIRE(plan.has_value());
  return *plan;
}

RtspMessage described(Headers headers) { return answer(1, 200, std::move(headers)); }

}  // namespace

TEST_CASE("the first video comes first; further video, sound and metadata follow in their order") {
  const std::string description =
      "m=audio 0 RTP/AVP 0\na=control:a\nm=application 0 RTP/AVP 107\na=rtpmap:107 vnd.onvif.metadata/90000\na=control:m\n"
      "m=video 0 RTP/AVP 96\na=rtpmap:96 H265/90000\na=control:v1\nm=video 0 RTP/AVP 26\na=control:v2\n";
  const auto plan = planned(description);
  REQUIRE(plan.tracks.size() == 4);
  CHECK(plan.tracks[0].url == base + "v1");
  CHECK(plan.tracks[0].format.encoding == "H265");
  CHECK(plan.tracks[1].url == base + "a");
  CHECK(plan.tracks[2].url == base + "m");
  CHECK(plan.tracks[3].url == base + "v2");
  CHECK(plan.left_out.empty());
  const auto alone = planned(description, false);
  CHECK(alone.tracks.size() == 1);
  CHECK(alone.left_out.empty());
}

TEST_CASE("talk-back is left out, what is received stays: ONVIF Streaming, back channel") {
  // From the client's side: it receives the first two, and would send the third.
  const auto plan = planned(
      "m=video 0 RTP/AVP 26\na=recvonly\na=control:v\nm=audio 0 RTP/AVP 0\na=recvonly\na=control:a\n"
      "m=audio 0 RTP/AVP 0\na=sendonly\na=control:back\nm=audio 0 RTP/AVP 8\na=sendrecv\na=control:both\n"
      "m=audio 0 RTP/AVP 8\na=inactive\na=control:off\n");
  REQUIRE(plan.tracks.size() == 3);
  CHECK(plan.tracks[2].url == base + "both");
  REQUIRE(plan.left_out.size() == 2);
  CHECK(holds(plan.left_out[0], "audio (PCMU): talk-back"));
  CHECK(holds(plan.left_out[1], "audio (PCMA): the unit has it switched off"));
}

TEST_CASE("video marked from the unit's own side is taken where there is no other (common practice)") {
  CHECK(planned("m=video 0 RTP/AVP 26\na=sendonly\na=control:v\n").tracks.size() == 1);
  CHECK(planned("a=sendonly\nm=video 0 RTP/AVP 26\na=control:v\nm=audio 0 RTP/AVP 0\n").tracks.size() == 2);
  const auto two = planned("m=video 0 RTP/AVP 26\na=sendonly\na=control:v\nm=video 0 RTP/AVP 26\na=control:w\n");
  REQUIRE(two.tracks.size() == 1);
  CHECK(two.tracks[0].url == base + "w");
}

TEST_CASE("what is not plain RTP, or without a payload type, is left out with the reason") {
  const auto plan = planned(
      "m=video 0 RTP/AVP 26\nm=audio 0 RTP/SAVP 0\nm=whiteboard 32416 UDP WB\nm=application 0 TCP/TLS 1\n"
      "m=audio 0 RTP/AVPF 0\n");
  CHECK(plan.tracks.size() == 2);
  REQUIRE(plan.left_out.size() == 3);
  CHECK(holds(plan.left_out[0], "encrypted"));
  CHECK(holds(plan.left_out[1], "no payload type"));
  CHECK(holds(plan.left_out[2], "TCP/TLS"));
  const auto only_secret = decode_sdp("m=video 0 RTP/SAVP 26\n");
  const auto none = plan_tracks(*only_secret, base, true);
  REQUIRE_FALSE(none.has_value());
  CHECK(none.error().kind == FaultKind::unsupported);
  CHECK(holds(none.error().what, "encrypted"));
}

TEST_CASE("a unit that sends us to another host for its picture is not followed; a name says nothing against it") {
  const auto away = decode_sdp("m=video 0 RTP/AVP 26\na=control:rtsp://198.51.100.7/x\n");
  const auto plan = plan_tracks(*away, base, true);
  REQUIRE_FALSE(plan.has_value());
  CHECK(holds(plan.error().what, "198.51.100.7"));
  CHECK(planned("m=video 0 RTP/AVP 26\na=control:rtsp://unit-3.example/x\n").tracks[0].url == "rtsp://unit-3.example/x");
  CHECK(planned("m=video 0 RTP/AVP 26\nm=audio 0 RTP/AVP 0\na=control:rtsp://198.51.100.7/x\n").left_out.size() == 1);
}

TEST_CASE("no address of a unit's making reaches a request with blanks, line ends or a login") {
  CHECK(planned("m=video 0 RTP/AVP 26\nm=audio 0 RTP/AVP 0\na=control:a b\n").left_out.size() == 1);
  const auto plan = planned("a=control:rtsp://u:p@192.0.2.10/x\nm=video 0 RTP/AVP 26\na=control:rtsp://u:p@192.0.2.10/v\n");
  CHECK(plan.tracks[0].url == "rtsp://192.0.2.10:554/v");
  CHECK(plan.aggregate == "rtsp://192.0.2.10:554/x");
}

TEST_CASE("there are at most eight tracks, and the ninth is named") {
  std::string description;
  for (int i = 0; i < 10; ++i) description += "m=video 0 RTP/AVP 26\na=control:v" + std::to_string(i) + "\n";
  const auto plan = planned(description);
  CHECK(plan.tracks.size() == most_tracks);
  REQUIRE(plan.left_out.size() == 2);
  CHECK(holds(plan.left_out[0], "more than 8 tracks"));
}

TEST_CASE("the aggregate: star, relative, absolute, none") {
  const std::string video = "m=video 0 RTP/AVP 26\na=control:v\n";
  CHECK(planned("a=control:*\n" + video).aggregate == base);
  CHECK(planned("a=control:*\n" + video).aggregate_told);
  CHECK(planned("a=control:all\n" + video).aggregate == base + "all");
  CHECK(planned("a=control:rtsp://192.0.2.10/x/\n" + video).aggregate == "rtsp://192.0.2.10/x/");
  // Tracks stay relative to the base, not to the aggregate: RFC 2326 C.1.1.
  CHECK(planned("a=control:rtsp://192.0.2.10/x/\n" + video).tracks[0].url == base + "v");
  CHECK(planned(video).aggregate == base);
  CHECK_FALSE(planned(video).aggregate_told);
  CHECK_FALSE(planned("a=control:a b\n" + video).aggregate_told);
}

TEST_CASE("the base is Content-Base, else Content-Location, else the request's URL: RFC 2326 C.1.1") {
  const std::string asked = "rtsp://192.0.2.10:554/head/1";
  CHECK(base_of(described({}), asked) == asked);
  CHECK(base_of(described({{"content-location", "rtsp://192.0.2.10/l/"}}), asked) == "rtsp://192.0.2.10/l/");
  CHECK(base_of(described({{"content-location", "rtsp://192.0.2.10/l/"}, {"content-base", "rtsp://192.0.2.10/b/"}}), asked) == "rtsp://192.0.2.10/b/");
  // Relative ones are taken against the request's URL: RFC 3986 §5.2.
  CHECK(base_of(described({{"content-base", "/b/"}}), asked) == "rtsp://192.0.2.10:554/b/");
  CHECK(base_of(described({{"content-base", "1/"}}), asked) == "rtsp://192.0.2.10:554/head/1/");
  // What cannot be read is passed over.
  CHECK(base_of(described({{"content-base", "nonsense here"}, {"content-location", "/l/"}}), asked) == "rtsp://192.0.2.10:554/l/");
}
