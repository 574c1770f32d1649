#include "probes/wire/sdp.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::wire;

TEST_CASE("the example of RFC 8866 §5") {
  const auto session = decode_sdp(
      "v=0\r\no=jdoe 3724394400 3724394405 IN IP4 198.51.100.1\r\ns=Call to John Smith\r\ni=SDP Offer #1\r\n"
      "u=http://www.jdoe.example.com/home.html\r\ne=Jane Doe <jane@jdoe.example.com>\r\np=+1 617 555-6011\r\n"
      "c=IN IP4 198.51.100.1\r\nt=0 0\r\nm=audio 49170 RTP/AVP 0\r\nm=audio 49180 RTP/AVP 0\r\n"
      "m=video 51372 RTP/AVP 99\r\nc=IN IP6 2001:db8::2\r\na=rtpmap:99 h263-1998/90000\r\n");
  REQUIRE(session);
  REQUIRE(session->media.size() == 3);
  CHECK(session->media[0].port == 49170);
  CHECK(session->media[1].port == 49180);
  CHECK(session->media[0].connection == "198.51.100.1");
  CHECK(session->media[0].formats.at(0).encoding == "PCMU");
  CHECK(session->media[2].connection == "2001:db8::2");
  CHECK(session->media[2].formats.at(0).encoding == "h263-1998");
  CHECK(session->media[2].formats.at(0).clock_hz == 90000);
}

TEST_CASE("static payload types need no rtpmap: RFC 3551 §6") {
  const auto session = decode_sdp("m=audio 0 RTP/AVP 8 9\nm=video 0 RTP/AVP 26\n");
  REQUIRE(session);
  CHECK(session->media[0].formats[0].encoding == "PCMA");
  CHECK(session->media[0].formats[1].clock_hz == 8000);  // G722 samples at 16 000: §4.5.2
  CHECK(session->media[1].formats[0].encoding == "JPEG");
  CHECK(session->media[1].formats[0].clock_hz == 90000);
}

TEST_CASE("bare LF, trailing blanks, unknown lines and attributes are passed over") {
  const auto session = decode_sdp(
      "v=0 \nx=what is this\na=unknown:thing\nm=video 0 RTP/AVP 96 \na=rtpmap:96 H264/90000 \n"
      "a=fmtp:96 packetization-mode=1;profile-level-id=42A01E; sprop-parameter-sets=Z0IACpZTBYmI,aMljiA== \na=control:trackID=1 \n");
  REQUIRE(session);
  const auto& media = session->media.at(0);
  CHECK(media.control == "trackID=1");
  CHECK(media.formats[0].encoding == "H264");
  // RFC 6184 §8.2.1 (profile-level-id), RFC 3984 §8.2.1 (the parameter sets, of 9 and 4 octets).
  CHECK(fmtp_parameter(media.formats[0].parameters, "Profile-Level-Id") == "42A01E");
  const auto sets = parameter_sets_of(media.formats[0]);
  REQUIRE(sets.size() == 2);
  CHECK(sets[0].size() == 9);
  CHECK(sets[1].size() == 4);
}

TEST_CASE("16-bit audio over two channels: RFC 8866 §6.6") {
  const auto session = decode_sdp("m=audio 49230 RTP/AVP 98\na=rtpmap:98 L16/16000/2\n");
  CHECK(session->media[0].formats[0].encoding == "L16");
  CHECK(session->media[0].formats[0].clock_hz == 16000);
  CHECK(session->media[0].formats[0].channels == 2);
}

TEST_CASE("ports out of range, thousands of tracks and no track at all are refused") {
  CHECK_FALSE(decode_sdp("m=video 70000 RTP/AVP 96\n"));
  CHECK_FALSE(decode_sdp("m=video -1 RTP/AVP 96\n"));
  CHECK_FALSE(decode_sdp("v=0\n"));
  std::string many;
  for (int i = 0; i < 5000; ++i) many += "m=video 0 RTP/AVP 96\n";
  CHECK_FALSE(decode_sdp(many));
}
