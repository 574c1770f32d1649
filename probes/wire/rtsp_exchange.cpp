#include "probes/wire/rtsp_exchange.hpp"

#include "probes/wire/url.hpp"

#include <algorithm>

namespace tallywire::wire {
namespace {

// A server that calls every nonce stale must not hold us in a circle.
constexpr int most_stale_answers = 3;

bool names(const std::string& list, const std::string& word) { return list.find(word) != std::string::npos; }

}  // namespace

std::string RtspExchange::request(const std::string& method, const std::string& url,
                                  const std::string& headers) {
  std::string out = method + " " + url + " RTSP/1.0\r\nCSeq: " + std::to_string(++sequence_) +
                    "\r\nUser-Agent: tallywire\r\n";
  if (!session_.empty()) out += "Session: " + session_ + "\r\n";
  if (challenge_ && settings_.login) {
    DigestInput input{method, url, settings_.cnonce, ++nonce_count_};
    out += "Authorization: " + authorization(*challenge_, *settings_.login, input) + "\r\n";
  }
  return out + headers + "\r\n";
}

std::string RtspExchange::transport_offer() const {
  // Always the word: without it the default is multicast (RFC 2326 §12.39).
  switch (settings_.transport) {
    case LowerTransport::tcp: return "RTP/AVP/TCP;unicast;interleaved=0-1";
    case LowerTransport::udp:
      return "RTP/AVP;unicast;client_port=" + std::to_string(settings_.client_rtp) + "-" +
             std::to_string(settings_.client_rtcp);
    case LowerTransport::multicast: return "RTP/AVP;multicast";
  }
  return {};
}

ExchangeAction RtspExchange::send_step() {
  ExchangeAction out;
  switch (step_) {
    case Step::options: out.octets = request("OPTIONS", settings_.url, ""); break;
    case Step::describe:
      out.octets = request("DESCRIBE", settings_.url, "Accept: application/sdp\r\n");
      break;
    case Step::setup:
      out.octets = request("SETUP", track_url_, "Transport: " + transport_offer() + "\r\n");
      break;
    case Step::play: out.octets = request("PLAY", base_, "Range: npt=0.000-\r\n"); break;
    case Step::playing: out.kind = ExchangeAction::Kind::playing; break;
  }
  return out;
}

ExchangeAction RtspExchange::begin() { return send_step(); }

ExchangeAction RtspExchange::fail(FaultKind kind, std::string what, std::string try_next) {
  ExchangeAction out;
  out.kind = ExchangeAction::Kind::failed;
  out.fault = {kind, std::move(what), settings_.where, std::move(try_next)};
  return out;
}

// A 401: answered once with the login; a second time only when the server calls the nonce stale. A
// password that was refused is never sent again.
ExchangeAction RtspExchange::refuse_or_retry(const RtspMessage& answer) {
  if (!settings_.login)
    return fail(FaultKind::refused, "the unit asks for a login and none was given",
                "name a secret with its user and password");
  std::vector<Challenge> challenges;
  for (const auto& [name, value] : answer.headers)
    if (name == "www-authenticate")
      for (auto& c : decode_challenges(value)) challenges.push_back(std::move(c));
  auto chosen = choose_challenge(challenges, settings_.allow_basic);
  if (!chosen)
    return fail(FaultKind::refused, "the unit offers no login that keeps the password safe",
                "set the unit to Digest, or use RTSP over TLS");
  const bool again = challenge_.has_value();
  if (again && !(chosen->stale && ++stale_answers_ <= most_stale_answers))
    return fail(FaultKind::refused, "login refused",
                "correct the secret; it was tried once, so that the unit locks nobody out");
  challenge_ = std::move(chosen);
  nonce_count_ = 0;
  if (!again) ++logins_sent_;
  return send_step();
}

ExchangeAction RtspExchange::resume(const RtspMessage& answer) {
  const auto told = answer.header("cseq");
  if (answer.status == 0 || (!told.empty() && told != std::to_string(sequence_))) return {};
  if (answer.status == 401) return refuse_or_retry(answer);
  if (answer.status < 200 || answer.status > 299) {
    // Some units refuse OPTIONS and serve all the rest.
    if (step_ == Step::options && (answer.status == 405 || answer.status == 501)) {
      step_ = Step::describe;
      return send_step();
    }
    auto meaning = rtsp_status_text(answer.status);
    if (meaning.empty()) meaning = answer.reason;
    const auto kind = answer.status == 461 ? FaultKind::unsupported : FaultKind::refused;
    return fail(kind, "the unit answered " + std::to_string(answer.status) + ": " + meaning,
                answer.status == 404 ? "compare the path with what the unit calls its streams" : "");
  }
  switch (step_) {
    case Step::options:
      result_.keep_alive_by_parameter = names(answer.header("public"), "GET_PARAMETER");
      step_ = Step::describe;
      return send_step();
    case Step::describe: return take_description(answer);
    case Step::setup: return take_setup(answer);
    case Step::play:
      step_ = Step::playing;
      return send_step();
    case Step::playing: return {};
  }
  return {};
}

ExchangeAction RtspExchange::take_description(const RtspMessage& answer) {
  const auto session = decode_sdp(answer.body);
  if (!session)
    return fail(FaultKind::malformed, "the unit's session description cannot be read",
                "repeat; if it stays so, the unit's firmware is at fault");
  const auto video = std::find_if(session->media.begin(), session->media.end(), [](const SdpMedia& m) {
    return m.kind == "video" && !m.send_back && !m.formats.empty();
  });
  if (video == session->media.end())
    return fail(FaultKind::unsupported, "the session description offers no video",
                "look whether this stream is switched on in the unit");
  result_.media = *video;
  result_.format = video->formats.front();
  // RFC 2326 C.1.1: Content-Base, else Content-Location, else the request URL.
  base_ = answer.header("content-base");
  if (base_.empty()) base_ = answer.header("content-location");
  if (base_.empty()) base_ = settings_.url;
  track_url_ = join_control(base_, video->control);
  const auto aggregate = session->control;
  if (!aggregate.empty()) base_ = join_control(base_, aggregate);
  const auto ours = decode_url(settings_.url), theirs = decode_url(track_url_);
  if (!theirs || !ours || theirs->host != ours->host)
    return fail(FaultKind::malformed, "the unit sends us to another host for its stream: " + track_url_,
                "look at the unit's network settings");
  step_ = Step::setup;
  return send_step();
}

ExchangeAction RtspExchange::take_setup(const RtspMessage& answer) {
  const auto session = decode_session(answer.header("session"));
  const auto grants = decode_transport(answer.header("transport"));
  if (!session || !grants || grants->empty())
    return fail(FaultKind::malformed, "the unit's answer to SETUP cannot be read", "");
  result_.transport = grants->front();
  result_.timeout_s = session->timeout_s;
  session_ = session->id;
  const bool tcp = settings_.transport == LowerTransport::tcp;
  const bool fits = tcp ? result_.transport.tcp && result_.transport.rtp_channel >= 0
                        : !result_.transport.tcp;
  if (!fits)
    return fail(FaultKind::unsupported, "the unit granted another transport than was asked for",
                tcp ? "try udp" : "try tcp");
  step_ = Step::play;
  return send_step();
}

std::string RtspExchange::keep_alive() {
  return request(result_.keep_alive_by_parameter ? "GET_PARAMETER" : "OPTIONS", base_, "");
}

std::string RtspExchange::teardown() {
  if (session_.empty()) return {};
  auto out = request("TEARDOWN", base_, "");
  session_.clear();
  return out;
}

}  // namespace tallywire::wire
