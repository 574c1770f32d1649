#include "tests/wire/rtsp_script.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::wire;
using Kind = ExchangeAction::Kind;

namespace {

// RFC 2326 §14.2, sound before the picture.
const std::string twister =
    "v=0\r\no=- 2890844256 2890842807 IN IP4 172.16.2.93\r\ns=RTSP Session\r\ni=An Example of RTSP Session Usage\r\n"
    "a=control:rtsp://foo/twister\r\nt=0 0\r\nm=audio 0 RTP/AVP 0\r\na=control:rtsp://foo/twister/audio\r\n"
    "m=video 0 RTP/AVP 26\r\na=control:rtsp://foo/twister/video\r\n";

ExchangeSettings twister_settings() {
  auto out = settings();
  out.url = "rtsp://foo/twister";
  out.transport = LowerTransport::udp;
  return out;
}

const std::string three_tracks =
    "m=video 0 RTP/AVP 96\r\na=rtpmap:96 H264/90000\r\na=control:v\r\n"
    "m=audio 0 RTP/AVP 0\r\na=control:a\r\n"
    "m=application 0 RTP/AVP 107\r\na=rtpmap:107 vnd.onvif.metadata/90000\r\na=control:m\r\n";

}  // namespace

TEST_CASE("a conversation goes OPTIONS, DESCRIBE, SETUP, PLAY, and ends by TEARDOWN") {
  Script script(settings());
  CHECK(begins(script.last.octets, "OPTIONS rtsp://192.0.2.10:554/head/1 RTSP/1.0\r\nCSeq: 1\r\n"));
  CHECK(begins(script.say(200).octets, "DESCRIBE "));
  CHECK(holds(script.last.octets, "Accept: application/sdp\r\n"));
  script.say(200, {{"content-base", "rtsp://192.0.2.10:554/head/1/"}}, one_video);
  CHECK(begins(script.last.octets, "SETUP rtsp://192.0.2.10:554/head/1/track1 "));
  // The word unicast always: without it the default is multicast (RFC 2326 §12.39).
  CHECK(holds(script.last.octets, "Transport: RTP/AVP/TCP;unicast;interleaved=0-1\r\n"));
  script.grant("RTP/AVP/TCP;unicast;interleaved=0-1", "12345678;timeout=30");
  CHECK(begins(script.last.octets, "PLAY rtsp://192.0.2.10:554/head/1/ "));
  CHECK(holds(script.last.octets, "Session: 12345678\r\n"));
  CHECK(script.exchange.keep_alive().empty());
  CHECK(script.say(200).kind == Kind::playing);
  CHECK(script.exchange.result().timeout_s == 30);
  CHECK(begins(script.exchange.teardown(), "TEARDOWN rtsp://192.0.2.10:554/head/1/ "));
  CHECK(script.exchange.teardown().empty());
}

TEST_CASE("two tracks in one session: the conversation of RFC 2326 §14.2") {
  Script script(twister_settings());
  script.describe(twister);
  REQUIRE(script.last.kind == Kind::open_ports);
  CHECK(script.last.ports == 2);
  script.take(script.exchange.give_ports({{8002, 8003}, {8000, 8001}}));
  // The picture first: it is what the meter is for.
  CHECK(begins(script.last.octets, "SETUP rtsp://foo/twister/video RTSP/1.0\r\n"));
  CHECK(holds(script.last.octets, "Transport: RTP/AVP;unicast;client_port=8002-8003\r\n"));
  CHECK_FALSE(holds(script.last.octets, "Session:"));
  script.grant("RTP/AVP;unicast;client_port=8002-8003;server_port=9004-9005");
  CHECK(begins(script.last.octets, "SETUP rtsp://foo/twister/audio RTSP/1.0\r\n"));
  CHECK(holds(script.last.octets, "client_port=8000-8001\r\n"));
  CHECK(holds(script.last.octets, "Session: 12345678\r\n"));
  script.grant("RTP/AVP;unicast;client_port=8000-8001;server_port=9000-9001");
  CHECK(begins(script.last.octets, "PLAY rtsp://foo/twister RTSP/1.0\r\n"));
  REQUIRE(script.say(200).kind == Kind::playing);
  const auto& tracks = script.exchange.result().tracks;
  REQUIRE(tracks.size() == 2);
  CHECK(tracks[0].format.encoding == "JPEG");
  CHECK(tracks[0].transport.server_rtp == 9004);
  CHECK(tracks[1].format.encoding == "PCMU");
  CHECK(tracks[1].transport.server_rtcp == 9001);
  CHECK(begins(script.exchange.teardown(), "TEARDOWN rtsp://foo/twister RTSP/1.0\r\n"));
}

TEST_CASE("every step may be refused, and the reason says with what") {
  for (const int status : {403, 404, 453, 500, 503}) {
    for (std::size_t step = 0; step < 4; ++step) {
      CAPTURE(status, step);
      if (step == 0 && status == 404) continue;  // OPTIONS of a URL it does not know: DESCRIBE tells
      Script script(settings());
      if (step > 0) script.say(200);
      if (step > 1) script.say(200, {}, "a=control:*\r\n" + one_video);
      if (step > 2) script.grant("RTP/AVP/TCP;unicast;interleaved=0-1");
      REQUIRE(script.say(status).kind == Kind::failed);
      CHECK(script.last.fault.kind == FaultKind::refused);
      CHECK(holds(script.last.fault.what, std::to_string(status)));
      CHECK(script.last.fault.where == "192.0.2.10:554");
      CHECK(script.say(200).octets.empty());  // nothing follows
      CHECK(script.exchange.teardown().empty() == (step < 3));
    }
  }
}

TEST_CASE("answers of 200 that hold nothing of use end the conversation with what was wrong") {
  Script no_description(settings());
  no_description.say(200);
  CHECK(no_description.say(200).fault.kind == FaultKind::malformed);
  Script only_sound(settings());
  CHECK(only_sound.describe("m=audio 0 RTP/AVP 0\r\n").fault.kind == FaultKind::unsupported);
  for (const char* transport : {"", "RTP/AVP/TCP;interleaved=300-301", ";;;"}) {
    Script script(settings());
    script.describe(one_video);
    CHECK(script.grant(transport).kind == Kind::failed);
  }
  Script no_session(settings());
  no_session.describe(one_video);
  CHECK(no_session.say(200, {{"transport", "RTP/AVP/TCP;unicast;interleaved=0-1"}}).kind == Kind::failed);
}

TEST_CASE("a unit that refuses OPTIONS is asked for its description all the same") {
  for (const int status : {400, 404, 405, 501, 551}) {  // 501: RFC 2326 §10
    Script script(settings());
    CHECK(begins(script.say(status).octets, "DESCRIBE "));
  }
}

TEST_CASE("an answer to another request is passed over; one without a CSeq answers what is under way; 100 is not the end") {
  RtspExchange exchange(settings());
  exchange.begin();
  CHECK(exchange.resume(answer(77, 200)).octets.empty());
  CHECK(exchange.resume(answer(1, 100)).octets.empty());  // RFC 2326 §7.1.1: Continue
  RtspMessage odd = answer(1, 200);
  odd.headers.back().second = "one";
  CHECK(exchange.resume(odd).octets.empty());
  RtspMessage bare;
  bare.status = 200;
  CHECK(begins(exchange.resume(bare).octets, "DESCRIBE "));
  CHECK(exchange.resume(answer(1, 200)).octets.empty());  // the same answer again
}

TEST_CASE("interleaved channels are offered in pairs, and those of the server are used: RFC 7826 §14") {
  Script script(settings());
  script.describe(three_tracks);
  CHECK(holds(script.last.octets, "interleaved=0-1"));
  script.grant("RTP/AVP/TCP;interleaved=2-3");  // asked 0-1
  CHECK(holds(script.last.octets, "interleaved=4-5"));  // 2-3 is taken now
  script.grant("RTP/AVP/TCP;unicast;interleaved=4-5");
  CHECK(holds(script.last.octets, "interleaved=6-7"));
  script.grant("RTP/AVP/TCP;unicast");  // not told: as asked
  script.say(200);
  const auto& tracks = script.exchange.result().tracks;
  REQUIRE(tracks.size() == 3);
  CHECK(tracks[0].transport.rtp_channel == 2);
  CHECK(tracks[2].transport.rtp_channel == 6);
  CHECK(tracks[2].format.encoding == "vnd.onvif.metadata");
}

TEST_CASE("a track that is refused is left out with its sentence, and the session goes on") {
  Script script(settings());
  script.describe(three_tracks);
  script.grant("RTP/AVP/TCP;unicast;interleaved=0-1");
  script.say(459);  // the server wants no second stream in this session: RFC 2326 §10.4
  CHECK(begins(script.last.octets, "SETUP rtsp://192.0.2.10:554/head/1/m "));
  script.grant("RTP/AVP/TCP;unicast;interleaved=0-1");  // the channels of the picture
  REQUIRE(begins(script.last.octets, "PLAY "));
  CHECK(script.say(200).kind == Kind::playing);
  const auto& result = script.exchange.result();
  CHECK(result.tracks.size() == 1);
  REQUIRE(result.left_out.size() == 2);
  CHECK(holds(result.left_out[0], "audio (PCMU): the unit answered 459"));
  CHECK(holds(result.left_out[1], "vnd.onvif.metadata"));
  CHECK(holds(result.left_out[1], "channel of another track"));
}

TEST_CASE("the session lasts as long as the shortest timeout that is told") {
  Script script(settings());
  script.describe(three_tracks);
  script.grant("RTP/AVP/TCP;unicast;interleaved=0-1", "12345678;timeout=120");
  script.grant("RTP/AVP/TCP;unicast;interleaved=2-3");  // says nothing, so changes nothing
  CHECK(script.exchange.result().timeout_s == 120);
  script.grant("RTP/AVP/TCP;unicast;interleaved=4-5", "12345678;timeout=90");
  CHECK(script.exchange.result().timeout_s == 90);
}

TEST_CASE("a track that gets a session of its own is left out, and that session is ended too") {
  Script script(settings());
  script.describe(three_tracks);
  script.grant("RTP/AVP/TCP;unicast;interleaved=0-1", "aaaaaaaa");
  script.grant("RTP/AVP/TCP;unicast;interleaved=2-3", "bbbbbbbb");
  script.grant("RTP/AVP/TCP;unicast;interleaved=4-5", "aaaaaaaa");
  CHECK(script.say(200).kind == Kind::playing);
  CHECK(script.exchange.result().tracks.size() == 2);
  const auto farewell = script.exchange.teardown();
  CHECK(holds(farewell, "Session: aaaaaaaa\r\n"));
  CHECK(holds(farewell, "TEARDOWN rtsp://192.0.2.10:554/head/1/a "));
  CHECK(holds(farewell, "Session: bbbbbbbb\r\n"));
}

TEST_CASE("where the aggregate is refused, each track is played and ended by its own URL: RFC 2326 C.3") {
  Script script(settings());
  script.describe("a=control:*\r\n" + three_tracks);
  for (const char* channels : {"0-1", "2-3", "4-5"})
    script.grant(std::string("RTP/AVP/TCP;unicast;interleaved=") + channels);
  CHECK(begins(script.last.octets, "PLAY rtsp://192.0.2.10:554/head/1 "));
  CHECK(begins(script.say(459).octets, "PLAY rtsp://192.0.2.10:554/head/1/v "));
  CHECK(begins(script.say(200).octets, "PLAY rtsp://192.0.2.10:554/head/1/a "));
  CHECK(begins(script.say(403).octets, "PLAY rtsp://192.0.2.10:554/head/1/m "));
  CHECK(script.say(200).kind == Kind::playing);
  CHECK(script.exchange.result().tracks.size() == 2);
  CHECK(holds(script.exchange.result().left_out.at(0), "403"));
  const auto farewell = script.exchange.teardown();
  CHECK(holds(farewell, "TEARDOWN rtsp://192.0.2.10:554/head/1/v "));
  CHECK(holds(farewell, "TEARDOWN rtsp://192.0.2.10:554/head/1/m "));
}

TEST_CASE("an aggregate that nobody named is not insisted on; one that was named is") {
  Script guessed(settings());
  guessed.describe(one_video);
  guessed.grant("RTP/AVP/TCP;unicast;interleaved=0-1");
  CHECK(begins(guessed.say(404).octets, "PLAY rtsp://192.0.2.10:554/head/1/track1 "));
  CHECK(guessed.say(404).kind == Kind::failed);
  Script named(settings());
  named.describe("a=control:*\r\n" + one_video);
  named.grant("RTP/AVP/TCP;unicast;interleaved=0-1");
  CHECK(named.say(404).kind == Kind::failed);
}

TEST_CASE("a live stream that knows no beginning is played without a range") {
  Script script(settings());
  script.describe(one_video);
  script.grant("RTP/AVP/TCP;unicast;interleaved=0-1");
  CHECK(holds(script.last.octets, "Range: npt="));
  const auto& again = script.say(457);  // Invalid Range: RFC 2326 §7.1.1
  CHECK(begins(again.octets, "PLAY "));
  CHECK_FALSE(holds(again.octets, "Range:"));
  CHECK(script.say(457).kind == Kind::failed);
}

TEST_CASE("with fewer ports than tracks the last tracks are left out; without any nothing is played") {
  Script script(twister_settings());
  script.describe(twister);
  script.take(script.exchange.give_ports({{8002, 8003}}));
  script.grant("RTP/AVP;unicast;client_port=8002-8003;server_port=9004-9005");
  CHECK(begins(script.last.octets, "PLAY "));
  CHECK(holds(script.exchange.result().left_out.at(0), "audio (PCMU): no UDP ports"));
  Script none(twister_settings());
  none.describe(twister);
  CHECK(none.exchange.give_ports({}).fault.kind == FaultKind::system);
}

TEST_CASE("a unit that grants another transport than asked is refused") {
  Script tcp(settings());
  tcp.describe(one_video);
  tcp.grant("RTP/AVP;unicast;client_port=1-2;server_port=3-4");
  REQUIRE(tcp.last.kind == Kind::failed);
  CHECK(tcp.last.fault.kind == FaultKind::unsupported);
  CHECK(tcp.last.fault.try_next == "try udp");
  Script udp(twister_settings());
  udp.describe(twister);
  udp.take(udp.exchange.give_ports({{8002, 8003}, {8000, 8001}}));
  CHECK(udp.say(461).fault.kind == FaultKind::unsupported);
}

TEST_CASE("multicast: group and ports are the server's, or else those of the description") {
  auto wanted = settings();
  wanted.transport = LowerTransport::multicast;
  const std::string described = "m=video 5000 RTP/AVP 26\r\nc=IN IP4 233.252.0.1/16\r\na=control:v\r\n";
  Script told(wanted);
  told.describe(described);
  CHECK(holds(told.last.octets, "Transport: RTP/AVP;multicast\r\n"));
  told.grant("RTP/AVP;multicast;destination=233.252.0.9;port=6000-6001;ttl=4");
  CHECK(told.exchange.result().tracks[0].transport.destination == "233.252.0.9");
  CHECK(told.exchange.result().tracks[0].transport.port_rtcp == 6001);
  Script silent(wanted);
  silent.describe(described);
  silent.grant("RTP/AVP;multicast");
  const auto& grant = silent.exchange.result().tracks[0].transport;
  CHECK(grant.destination == "233.252.0.1");
  CHECK(grant.port_rtp == 5000);
  CHECK(grant.port_rtcp == 5001);
  CHECK(grant.ttl == 16);
  Script nowhere(wanted);
  nowhere.describe("c=IN IP4 192.0.2.10\r\n" + one_video);
  CHECK(nowhere.grant("RTP/AVP;multicast;port=5000-5001").kind == Kind::failed);  // no group
  Script portless(wanted);
  portless.describe("c=IN IP4 233.252.0.1\r\n" + one_video);
  CHECK(portless.grant("RTP/AVP;multicast").kind == Kind::failed);
  Script unicast(wanted);
  unicast.describe(described);
  CHECK(unicast.grant("RTP/AVP;unicast;client_port=1-2").fault.try_next == "try udp");
}
