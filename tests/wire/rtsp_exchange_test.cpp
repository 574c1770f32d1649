#include "probes/wire/rtsp_exchange.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::wire;
using Kind = ExchangeAction::Kind;

namespace {

ExchangeSettings settings(std::optional<Credentials> login = std::nullopt) {
  ExchangeSettings out;
  out.url = "rtsp://192.0.2.10:554/head/1";
  out.where = "192.0.2.10:554";
  out.login = std::move(login);
  out.cnonce = "fedcba98";
  out.every_track = false;
  return out;
}

RtspMessage answer(int sequence, int status, std::vector<std::pair<std::string, std::string>> headers = {}, std::string body = "") {
  RtspMessage out;
  out.status = status;
  out.headers = std::move(headers);
  out.headers.emplace_back("cseq", std::to_string(sequence));
  out.body = std::move(body);
  return out;
}

const std::string description = "v=0\r\nm=audio 0 RTP/AVP 0\r\nm=video 0 RTP/AVP 96\r\na=rtpmap:96 H264/90000\r\na=control:track1\r\n";

// The whole conversation of a unit without a login, answer by answer.
std::vector<RtspMessage> script() {
  return {answer(1, 200, {{"public", "OPTIONS, DESCRIBE, SETUP, PLAY, GET_PARAMETER"}}),
          answer(2, 200, {{"content-base", "rtsp://192.0.2.10:554/head/1/"}}, description),
          answer(3, 200, {{"session", "12345678;timeout=30"}, {"transport", "RTP/AVP/TCP;unicast;interleaved=0-1"}}),
          answer(4, 200, {{"session", "12345678"}})};
}

}  // namespace

TEST_CASE("a conversation goes OPTIONS, DESCRIBE, SETUP, PLAY, and ends by TEARDOWN") {
  RtspExchange exchange(settings());
  CHECK(exchange.begin().octets.rfind("OPTIONS rtsp://192.0.2.10:554/head/1 RTSP/1.0\r\nCSeq: 1\r\n", 0) == 0);
  const auto messages = script();
  CHECK(exchange.resume(messages[0]).octets.rfind("DESCRIBE ", 0) == 0);
  const auto setup = exchange.resume(messages[1]).octets;
  CHECK(setup.rfind("SETUP rtsp://192.0.2.10:554/head/1/track1 ", 0) == 0);
  // The word unicast always: without it the default is multicast (RFC 2326 §12.39).
  CHECK(setup.find("Transport: RTP/AVP/TCP;unicast;interleaved=0-1\r\n") != std::string::npos);
  const auto play = exchange.resume(messages[2]).octets;
  CHECK(play.rfind("PLAY rtsp://192.0.2.10:554/head/1/ ", 0) == 0);
  CHECK(play.find("Session: 12345678\r\n") != std::string::npos);
  CHECK(exchange.resume(messages[3]).kind == Kind::playing);
  CHECK(exchange.result().timeout_s == 30);
  CHECK(exchange.keep_alive().rfind("GET_PARAMETER ", 0) == 0);
  CHECK(exchange.teardown().rfind("TEARDOWN ", 0) == 0);
  CHECK(exchange.teardown().empty());
}

TEST_CASE("a failure at any step ends the conversation with a reason") {
  for (std::size_t step = 0; step < 4; ++step) {
    RtspExchange exchange(settings());
    exchange.begin();
    auto messages = script();
    for (std::size_t i = 0; i < step; ++i) exchange.resume(messages[i]);
    const auto action = exchange.resume(answer(static_cast<int>(step) + 1, 503));
    CAPTURE(step);
    CHECK(action.kind == Kind::failed);
    CHECK(action.fault.what.find("503") != std::string::npos);
  }
}

TEST_CASE("a login is answered once, and a refused one is never sent again") {
  RtspExchange exchange(settings(Credentials{"tram", "wrong"}));
  exchange.begin();
  exchange.resume(answer(1, 200));
  const std::pair<std::string, std::string> challenge{"www-authenticate", "Digest realm=\"depot\", nonce=\"0123\""};
  const auto with_login = exchange.resume(answer(2, 401, {challenge}));
  REQUIRE(with_login.kind == Kind::send);
  CHECK(with_login.octets.find("Authorization: Digest username=\"tram\"") != std::string::npos);
  CHECK(with_login.octets.find("wrong") == std::string::npos);
  const auto refused = exchange.resume(answer(3, 401, {challenge}));
  REQUIRE(refused.kind == Kind::failed);
  CHECK(refused.fault.kind == FaultKind::refused);
  CHECK(refused.fault.what == "login refused");
  CHECK(exchange.logins_sent() == 1);
}

TEST_CASE("a stale nonce is answered with the new one, but not for ever") {
  RtspExchange exchange(settings(Credentials{"tram", "four rails"}));
  exchange.begin();
  exchange.resume(answer(1, 200));
  exchange.resume(answer(2, 401, {{"www-authenticate", "Digest realm=\"depot\", nonce=\"one\""}}));
  int sequence = 3;
  ExchangeAction action;
  do {
    action = exchange.resume(answer(sequence++, 401, {{"www-authenticate", "Digest realm=\"depot\", nonce=\"two\", stale=true"}}));
    if (action.kind == Kind::send) CHECK(action.octets.find("nonce=\"two\"") != std::string::npos);
  } while (action.kind == Kind::send && sequence < 20);
  CHECK(action.kind == Kind::failed);
  CHECK(sequence < 10);
}

TEST_CASE("a unit that asks for a login when none was given is told so; Basic is not used by itself") {
  RtspExchange exchange(settings());
  exchange.begin();
  CHECK(exchange.resume(answer(1, 401, {{"www-authenticate", "Digest realm=\"d\", nonce=\"n\""}})).fault.what.find("none was given") != std::string::npos);
  RtspExchange basic(settings(Credentials{"tram", "four rails"}));
  basic.begin();
  CHECK(basic.resume(answer(1, 401, {{"www-authenticate", "Basic realm=\"d\""}})).kind == Kind::failed);
  CHECK(basic.logins_sent() == 0);
}

TEST_CASE("a unit that sends us to another host is not followed") {
  RtspExchange exchange(settings());
  exchange.begin();
  exchange.resume(answer(1, 200));
  const auto action = exchange.resume(answer(2, 200, {}, "m=video 0 RTP/AVP 96\r\na=rtpmap:96 H264/90000\r\na=control:rtsp://198.51.100.7/x\r\n"));
  CHECK(action.kind == Kind::failed);
}

TEST_CASE("an answer to another request is passed over; one without a CSeq answers what is under way") {
  RtspExchange exchange(settings());
  exchange.begin();
  CHECK(exchange.resume(answer(77, 200)).octets.empty());
  RtspMessage bare;
  bare.status = 200;
  CHECK(exchange.resume(bare).octets.rfind("DESCRIBE ", 0) == 0);
}

TEST_CASE("a unit that grants another transport than asked is refused") {
  RtspExchange exchange(settings());
  exchange.begin();
  auto messages = script();
  exchange.resume(messages[0]);
  exchange.resume(messages[1]);
  const auto action = exchange.resume(answer(3, 200, {{"session", "1"}, {"transport", "RTP/AVP;unicast;client_port=1-2;server_port=3-4"}}));
  REQUIRE(action.kind == Kind::failed);
  CHECK(action.fault.kind == FaultKind::unsupported);
}
