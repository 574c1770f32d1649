#include "probes/wire/rtsp_message.hpp"

#include <catch2/catch.hpp>

#include <random>

using namespace tallywire::wire;
using What = ParsedRtsp::What;

namespace {

Octets octets(const std::string& text) { return {reinterpret_cast<const std::uint8_t*>(text.data()), text.size()}; }

const std::string answer = "RTSP/1.0 200 OK\r\nCSeq: 2\r\nContent-Length: 5\r\nSession: 12345678; timeout=60\r\n\r\nhello";

}  // namespace

TEST_CASE("an answer is taken whole, and needs more until it is") {
  for (std::size_t length = 0; length < answer.size(); ++length)
    CHECK(parse_rtsp(octets(answer).first(length)).what == What::need_more);
  const auto item = parse_rtsp(octets(answer + "RTSP/1.0 "));
  REQUIRE(item.what == What::message);
  CHECK(item.consumed == answer.size());
  CHECK(item.message.status == 200);
  CHECK(item.message.header("cseq") == "2");
  CHECK(item.message.body == "hello");
}

TEST_CASE("an interleaved frame: RFC 2326 §10.12") {
  // 24 00 05 dc is channel 0 of 1500 octets; check-values section 4.
  std::string frame = {'\x24', '\x00', '\x05', '\xdc'};
  frame += std::string(1500, 'x');
  CHECK(parse_rtsp(octets(frame).first(1503)).what == What::need_more);
  const auto item = parse_rtsp(octets(frame));
  REQUIRE(item.what == What::frame);
  CHECK(item.channel == 0);
  CHECK(item.packet.size() == 1500);
  CHECK(item.consumed == 1504);
}

TEST_CASE("bare LF is taken, what is no RTSP is refused early, ceilings hold") {
  CHECK(parse_rtsp(octets("RTSP/1.0 200 OK\nCSeq: 1\n\n")).what == What::message);
  CHECK(parse_rtsp(octets("HTTP/1.1 200 OK\r\n")).what == What::malformed);
  CHECK(parse_rtsp(octets("SSH-2.0-server\r\n")).what == What::malformed);
  std::string endless = "RTSP/1.0 200 OK\r\n";
  while (endless.size() < 70'000) endless += "X-More: and more and more\r\n";
  CHECK(parse_rtsp(octets(endless)).what == What::malformed);
  CHECK(parse_rtsp(octets("RTSP/1.0 200 OK\r\nContent-Length: 104857600\r\n\r\n")).what == What::malformed);
  CHECK(parse_rtsp(octets("RTSP/1.0 200 OK\r\nContent-Length: -1\r\n\r\n")).what == What::malformed);
  CHECK(parse_rtsp(octets("RTSP/1.0 999999 OK\r\n\r\n")).what == What::malformed);
}

TEST_CASE("a body without Content-Length has length 0: RFC 2326 §4.4") {
  const std::string text = "RTSP/1.0 200 OK\r\nCSeq: 1\r\n\r\nbody";
  const auto item = parse_rtsp(octets(text));
  CHECK(item.message.body.empty());
  CHECK(item.consumed == text.size() - 4);
}

TEST_CASE("noise never harms the parser") {
  std::mt19937 random(9);
  for (int i = 0; i < 20000; ++i) {
    std::string noise(random() % 80, ' ');
    for (auto& c : noise) c = static_cast<char>(random());
    if (i % 3 == 0) noise = "RTSP/1.0 200 OK\r\n" + noise;
    const auto item = parse_rtsp(octets(noise));
    CHECK(item.consumed <= noise.size());
  }
}

TEST_CASE("headers: folded, in any case, with and without blanks, in lists (RFC 2326 §4.2)") {
  // The Transport of the answer in RFC 7826 §13.3 is folded with a tab.
  const auto item = parse_rtsp(octets(
      "RTSP/2.0 200 OK\r\nCSEQ:302\r\nsession :rQi1hBrGlFdiYld241FxUO\r\nTransport: RTP/AVP;unicast;dest_addr=\"192.0.2.5:3456\"/\r\n"
      "\t\"192.0.2.5:3457\"\r\nPublic: OPTIONS\r\nX-Empty:\r\n folded\r\nno header at all\r\nPublic: PLAY\r\n\r\n"));
  REQUIRE(item.what == What::message);
  CHECK(item.message.version == 2);
  CHECK(item.message.header("cseq") == "302");
  CHECK(item.message.header("session") == "rQi1hBrGlFdiYld241FxUO");
  CHECK(item.message.header("transport") == "RTP/AVP;unicast;dest_addr=\"192.0.2.5:3456\"/ \"192.0.2.5:3457\"");
  CHECK(item.message.header("x-empty") == "folded");
  CHECK(item.message.list("public") == "OPTIONS, PLAY");
  CHECK(item.message.headers.size() == 6);
}

TEST_CASE("control characters in a header do not reach a request or a person") {
  const auto item = parse_rtsp(octets(std::string("RTSP/1.0 401 No\r\nSession: 12\r34\x1b[2J\r\n\r\n")));
  REQUIRE(item.what == What::message);
  CHECK(item.message.header("session") == "12 34 [2J");
}

TEST_CASE("requests of a server are told from answers: RFC 2326 §6, §10") {
  const auto item = parse_rtsp(octets("SET_PARAMETER rtsp://192.0.2.10/head/1 RTSP/1.0\r\nCSeq: 421\r\nContent-length: 20\r\n\r\nbarparam: barstuff\r\n"));
  REQUIRE(item.what == What::message);
  CHECK(item.message.status == 0);
  CHECK(item.message.method == "SET_PARAMETER");
  CHECK(item.message.target == "rtsp://192.0.2.10/head/1");
  CHECK(item.message.body == "barparam: barstuff\r\n");
  CHECK(parse_rtsp(octets("RTSP/1.0 200\r\n\r\n")).what == What::message);  // no reason phrase
}

TEST_CASE("garbage is refused as soon as it shows, and where") {
  CHECK(parse_rtsp(octets("\x01")).what == What::malformed);
  CHECK(parse_rtsp(octets("RTSP/")).what == What::need_more);
  CHECK(parse_rtsp(octets("RTSQ/")).fault_at == 4);
  CHECK(parse_rtsp(octets("GETTING ")).what == What::need_more);  // it could be a method
  CHECK(parse_rtsp(octets("\r\n\r\n<html>")).fault_at == 4);
  CHECK(parse_rtsp(octets(std::string(40, 'A'))).fault_at == 32);
  CHECK(parse_rtsp(octets("RTSP/3.0 200 OK\r\n")).what == What::malformed);
  CHECK(parse_rtsp(octets("RTSP/1.0 OK\r\n")).what == What::malformed);
  CHECK(parse_rtsp(octets("OPTIONS * HTTP/1.1\r\n")).what == What::malformed);
  // Text between items: after a frame of two octets.
  const std::string frame = {'\x24', '\x07', '\x00', '\x02', 'h', 'i'};
  const auto first = parse_rtsp(octets(frame + "between"));
  REQUIRE(first.what == What::frame);
  CHECK(first.channel == 7);  // a channel that nobody asked for is no fault
  CHECK(parse_rtsp(octets("between")).what == What::malformed);
}

TEST_CASE("empty lines before an item are passed over, but not without end: RFC 2326 §4.1") {
  const auto item = parse_rtsp(octets("\r\n\n" + answer));
  REQUIRE(item.what == What::message);
  CHECK(item.consumed == answer.size() + 3);
  const std::string frame = {'\r', '\n', '\x24', '\x00', '\x00', '\x01', 'x'};
  CHECK(parse_rtsp(octets(frame)).consumed == 7);
  CHECK(parse_rtsp(octets(std::string(1000, '\n'))).what == What::need_more);
  CHECK(parse_rtsp(octets(std::string(4'000'000, '\n'))).what == What::malformed);
}

TEST_CASE("a Content-Length that lies, overflows or contradicts itself is refused") {
  for (const char* length : {"-1", "+5", "5x", "0x5", "18446744073709551616", "99999999999999999999999", "1048577", "5\r\nContent-Length: 6"}) {
    CAPTURE(length);
    CHECK(parse_rtsp(octets("RTSP/1.0 200 OK\r\nContent-Length: " + std::string(length) + "\r\n\r\nhello")).what == What::malformed);
  }
  CHECK(parse_rtsp(octets("RTSP/1.0 200 OK\r\nContent-Length: 5\r\nContent-Length: 5\r\n\r\nhello")).what == What::message);
  RtspLimits small;
  small.body_octets = 4;
  CHECK(parse_rtsp(octets(answer), small).what == What::malformed);
  small = {};
  small.headers = 2;
  CHECK(parse_rtsp(octets(answer), small).what == What::malformed);
}

TEST_CASE("status codes: RFC 2326 §7.1.1 Table 1, RFC 7826 §8.1.1") {
  for (const int status : {401, 404, 405, 415, 451, 453, 454, 455, 459, 460, 461, 463, 464, 465, 466, 470, 471, 472, 505, 551})
    CHECK_FALSE(rtsp_status_text(status).empty());
  CHECK(rtsp_status_text(451) == "a parameter was not understood");  // changed in 2.0: check-values section 4
  CHECK(rtsp_status_text(299).empty());
  RtspMessage own;
  own.status = 499;
  own.reason = "Too\x07 Rainy";
  CHECK(status_sentence(own) == "499: Too? Rainy");
}
