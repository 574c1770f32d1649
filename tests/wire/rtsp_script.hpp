// A unit's side of a conversation, message by message, for the tests of the exchange.
#pragma once

#include "probes/wire/rtsp_exchange.hpp"

#include <string>
#include <utility>
#include <vector>

namespace tallywire::wire {

using Headers = std::vector<std::pair<std::string, std::string>>;

inline ExchangeSettings settings(std::optional<Credentials> login = std::nullopt) {
  ExchangeSettings out;
  out.url = "rtsp://192.0.2.10:554/head/1";
  out.where = "192.0.2.10:554";
  out.login = std::move(login);
  out.cnonce = "fedcba98";
  return out;
}

inline RtspMessage answer(int sequence, int status, Headers headers = {}, std::string body = "") {
  RtspMessage out;
  out.status = status;
  out.headers = std::move(headers);
  out.headers.emplace_back("cseq", std::to_string(sequence));
  out.body = std::move(body);
  return out;
}

inline bool begins(const std::string& text, const std::string& with) { return text.rfind(with, 0) == 0; }
inline bool holds(const std::string& text, const std::string& part) { return text.find(part) != std::string::npos; }

// The unit under test: answers whatever request comes last with its own number.
class Script {
 public:
  explicit Script(ExchangeSettings s) : exchange(std::move(s)) { take(exchange.begin()); }

  // The unit's answer to the last request.
  const ExchangeAction& say(int status, Headers headers = {}, std::string body = "", int version = 1) {
    auto message = answer(sequence, status, std::move(headers), std::move(body));
    message.version = version;
    return take(exchange.resume(message));
  }
  // A request of the unit's own.
  const ExchangeAction& ask(const std::string& method, Headers headers = {}, std::string body = "") {
    RtspMessage message;
    message.method = method;
    message.headers = std::move(headers);
    message.headers.emplace_back("cseq", "901");
    message.body = std::move(body);
    return take(exchange.resume(message));
  }
  const ExchangeAction& take(ExchangeAction next) {
    const auto at = next.octets.find("\r\nCSeq: ");
    if (at != std::string::npos && next.octets.rfind("RTSP/", 0) != 0) sequence = std::stoi(next.octets.substr(at + 8));
    last = std::move(next);
    return last;
  }
  // A request that was not sent by an action (keep-alive, teardown).
  std::string note(std::string octets) {
    ExchangeAction next;
    next.octets = std::move(octets);
    return take(std::move(next)).octets;
  }
  // Up to the first SETUP.
  const ExchangeAction& describe(const std::string& body, Headers headers = {}) {
    say(200, {{"public", "OPTIONS, DESCRIBE, SETUP, PLAY, GET_PARAMETER"}});
    return say(200, std::move(headers), body);
  }
  const ExchangeAction& grant(const std::string& transport, const std::string& session = "12345678") {
    return say(200, {{"session", session}, {"transport", transport}});
  }

  RtspExchange exchange;
  ExchangeAction last;
  int sequence = 0;
};

inline const std::string one_video = "v=0\r\nm=video 0 RTP/AVP 96\r\na=rtpmap:96 H264/90000\r\na=control:track1\r\n";

// Up to and including PLAY, one video by TCP.
inline void play(Script& script) {
  script.describe(one_video);
  script.grant("RTP/AVP/TCP;unicast;interleaved=0-1");
  script.say(200);
}

}  // namespace tallywire::wire
