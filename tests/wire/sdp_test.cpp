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

TEST_CASE("static types of every kind: RFC 3551 §6, Tables 4 and 5") {
  const auto session = decode_sdp("m=audio 0 RTP/AVP 5 6 10 11 14 16 18\nm=video 0 RTP/AVP 25 31 32 33 34\nm=audio 0 RTP/AVP 1 35 77\n");
  const auto& audio = session->media[0].formats;
  CHECK(audio[1].clock_hz == 16000);
  CHECK(audio[2].channels == 2);
  CHECK(audio[3].channels == 1);
  CHECK(audio[3].clock_hz == 44100);
  CHECK(audio[4].clock_hz == 90000);
  CHECK(audio[5].clock_hz == 11025);
  CHECK(audio[6].encoding == "G729");
  for (const auto& format : session->media[1].formats) CHECK(format.clock_hz == 90000);
  for (const auto& format : session->media[2].formats) CHECK(format.encoding.empty());  // reserved or unassigned
}

TEST_CASE("an rtpmap wins over the static type, and one without a clock leaves it") {
  const auto session = decode_sdp("m=audio 0 RTP/AVP 0 8\na=rtpmap:0 PCMU/16000\na=rtpmap:8 PCMA\n");
  CHECK(session->media[0].formats[0].clock_hz == 16000);
  CHECK(session->media[0].formats[1].clock_hz == 8000);
}

TEST_CASE("lists of payload types as units write them") {
  const auto session = decode_sdp(
      "m=video  0  RTP/AVP\t96   97 \na=rtpmap:97  H265/90000\na=rtpmap: 96 H264/90000\nm=VIDEO 0/2 RTP/AVP 96 96 x 128 -1 300\n"
      "m=video 0 RTP/AVP\na=rtpmap:98 H264/90000\na=fmtp:98 packetization-mode=1\n");
  REQUIRE(session);
  REQUIRE(session->media.size() == 3);
  REQUIRE(session->media[0].formats.size() == 2);
  CHECK(session->media[0].formats[0].encoding == "H264");
  CHECK(session->media[0].formats[1].encoding == "H265");
  CHECK(session->media[1].kind == "video");
  CHECK(session->media[1].formats.size() == 1);
  // The list is empty, and the rtpmap says what comes (common practice).
  REQUIRE(session->media[2].formats.size() == 1);
  CHECK(session->media[2].formats[0].payload_type == 98);
  CHECK(session->media[2].formats[0].parameters == "packetization-mode=1");
}

TEST_CASE("what a unit says of itself is kept: RFC 8866 §5.8, §6.13; RFC 6064 §4") {
  const auto session = decode_sdp(
      "b=AS:9000\nm=video 0 RTP/AVP 96\nb=AS:4096\nb=RR:0\na=framerate:29.97\na=framesize:96 1920-1080\n"
      "m=video 0 RTP/AVP 26\na=framerate: 12.500000 \na=x-dimensions:704,576\nm=audio 0 RTP/AVP 0\nb=TIAS:64000\n");
  CHECK(session->bandwidth_kbps == 9000);
  const auto& first = session->media[0];
  CHECK(first.framerate_hz == 29.97);
  CHECK(first.width == 1920);
  CHECK(first.height == 1080);
  CHECK(first.bandwidth_kbps == 4096);
  const auto& second = session->media[1];
  CHECK(second.framerate_hz == 12.5);
  CHECK(second.width == 704);
  CHECK(second.bandwidth_kbps == 0);  // the session's limit is for all together
  CHECK(session->media[2].bandwidth_kbps == 0);  // bit/s without headers (RFC 3890): another quantity
}

TEST_CASE("claims that cannot be meant are not told") {
  for (const char* claim : {"a=framerate:0", "a=framerate:-25", "a=framerate:nan", "a=framerate:inf", "a=framerate:1e9", "a=framerate:25fps",
                            "a=framesize:96 1920", "a=framesize:96 -1-5", "a=framesize:96 99999-99999", "a=x-dimensions:,", "b=AS:-1", "b=AS:x", "b=AS"}) {
    CAPTURE(claim);
    const auto session = decode_sdp("m=video 0 RTP/AVP 96\n" + std::string(claim) + "\n");
    REQUIRE(session);
    CHECK(session->media[0].framerate_hz == 0);
    CHECK(session->media[0].width == 0);
    CHECK(session->media[0].bandwidth_kbps == 0);
  }
}

TEST_CASE("connections: TTL of IPv4, count of IPv6 groups, the session's for all (RFC 8866 §5.7)") {
  const auto session = decode_sdp(
      "c=IN IP4 233.252.0.1/127/3\nm=video 5000 RTP/AVP 26\nm=video 5002 RTP/AVP 26\nc=IN IP6 ff1e::101/3\nm=video 0 RTP/AVP 26\nc=IN IP4 0.0.0.0\n");
  CHECK(session->media[0].connection == "233.252.0.1");
  CHECK(session->media[0].ttl == 127);
  CHECK(session->media[1].connection == "ff1e::101");
  CHECK(session->media[1].ttl == 0);
  CHECK(session->media[2].connection == "0.0.0.0");
}

TEST_CASE("directions belong to their medium; that of the session is passed over") {
  const auto session = decode_sdp("a=sendonly\nm=video 0 RTP/AVP 26\na=recvonly\nm=audio 0 RTP/AVP 0\na=sendonly\nm=audio 0 RTP/AVP 0\na=inactive\n");
  CHECK_FALSE(session->media[0].send_back);
  CHECK(session->media[1].send_back);
  CHECK(session->media[2].inactive);
}

TEST_CASE("parameters of sound stay as text (RFC 3640 §4.1)") {
  const auto session = decode_sdp(
      "m=audio 0 RTP/AVP 97\na=rtpmap:97 mpeg4-generic/16000/1\na=fmtp:97 streamtype=5; profile-level-id=14; mode=AAC-hbr; "
      "config=1408; sizeLength=13; indexLength=3; indexDeltaLength=3\n");
  const auto& parameters = session->media[0].formats[0].parameters;
  CHECK(fmtp_parameter(parameters, "config") == "1408");
  CHECK(fmtp_parameter(parameters, "sizelength") == "13");
  CHECK(fmtp_parameter(parameters, "mode") == "AAC-hbr");
}

TEST_CASE("ports out of range, thousands of tracks and no track at all are refused") {
  CHECK_FALSE(decode_sdp("m=video 70000 RTP/AVP 96\n"));
  CHECK_FALSE(decode_sdp("m=video -1 RTP/AVP 96\n"));
  CHECK_FALSE(decode_sdp("v=0\n"));
  std::string many;
  for (int i = 0; i < 5000; ++i) many += "m=video 0 RTP/AVP 96\n";
  CHECK_FALSE(decode_sdp(many));
}
