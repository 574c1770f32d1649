// The half of the conversation that takes what the unit says.
#include "probes/wire/rtsp_exchange.hpp"
#include "probes/wire/rtsp_grant.hpp"
#include "probes/wire/rtsp_peer.hpp"
#include "probes/wire/rtsp_text.hpp"
#include "probes/wire/url.hpp"

#include <algorithm>

namespace tallywire::wire {
namespace {

// Beyond a day it is no timeout that anyone could wait for, and arithmetic on it stays safe.
constexpr int longest_timeout_s = 24 * 3600;

bool is_redirect(int status) {
  // RFC 2326 §11.3 takes 301 to 303 from HTTP; 307 and 308 are HTTP's later ones (RFC 9110 §15.4).
  return (status >= 301 && status <= 303) || status == 307 || status == 308;
}

// Whether a list of methods ("OPTIONS, DESCRIBE") names this one.
bool names(std::string_view list, std::string_view method) {
  while (!list.empty())
    if (same(trim(cut(list, ',')), method)) return true;
  return false;
}

bool method_refused(int status) { return status == 405 || status == 451 || status == 501 || status == 551; }

}  // namespace

ExchangeAction RtspExchange::resume(const RtspMessage& message) {
  if (step_ == Step::over) return {};
  if (message.status == 0) return serve(message);
  const auto pending = take_pending(message);
  if (!pending || message.status < 200) return {};
  if (pending->with_login && message.status != 401) login_.accepted();
  if (message.status == 401) return take_challenge(message, *pending);
  if (pending->purpose == Purpose::keep_alive) return take_keep_alive(message);
  if (auto action = take_version(message)) return std::move(*action);
  if (is_redirect(message.status)) return redirect(message.header("location"));
  if (message.status > 299) return take_refusal(message);
  return take_step(message);
}

// The request that this answers. Without a CSeq it is the oldest under way: units that leave it out answer in order.
std::optional<RtspExchange::Pending> RtspExchange::take_pending(const RtspMessage& answer) {
  if (pending_.empty()) return std::nullopt;
  auto at = pending_.begin();
  const auto told = answer.header("cseq");
  if (!told.empty()) {
    int sequence = 0;
    if (!read_number(std::string_view(told), sequence)) return std::nullopt;
    at = std::find_if(at, pending_.end(), [sequence](const Pending& p) { return p.sequence == sequence; });
    if (at == pending_.end()) return std::nullopt;
  }
  const auto out = *at;
  if (answer.status >= 200) pending_.erase(at);  // after 1xx the answer itself is still to come (RFC 2326 §7.1.1)
  return out;
}

ExchangeAction RtspExchange::serve(const RtspMessage& request) {
  auto asked = answer_request(request, session_, result_.version);
  ExchangeAction out;
  if (asked.means == PeerRequest::Means::moved) out = redirect(asked.location);
  if (asked.means == PeerRequest::Means::ended && request.method == "TEARDOWN") session_.clear();
  if (asked.means == PeerRequest::Means::ended)
    out = fail(FaultKind::refused, asked.why, "repeat; if it stays so, look whether another viewer takes its place");
  out.octets = std::move(asked.reply);
  return out;
}

ExchangeAction RtspExchange::take_challenge(const RtspMessage& answer, const Pending& pending) {
  result_.login_asked = true;
  const bool basic = settings_.allow_basic || settings_.url.rfind("rtsps:", 0) == 0;
  switch (login_.challenged(answer, pending.with_login, basic)) {
    case RtspLogin::Answer::none_given:
      return fail(FaultKind::refused, "the unit asks for a login and none was given",
                  "name a secret with its user and password");
    case RtspLogin::Answer::nothing_safe:
      return fail(FaultKind::refused, "the unit offers no login that keeps the password safe",
                  "set the unit to Digest, or use RTSP over TLS");
    case RtspLogin::Answer::refused:
      if (step_ == Step::setup && track_ > 0 && pending.purpose == Purpose::step) {
        drop_track("this login is refused for it");  // the picture may be seen, and the sound not heard
        return next_setup();
      }
      return fail(FaultKind::refused, "login refused",
                  "correct the secret; it was tried once, so that the unit locks nobody out");
    case RtspLogin::Answer::again: break;
  }
  if (pending.purpose == Purpose::step) return send_step();
  // Others under way carry the old login; their answers must not count as refusals of the new one.
  pending_.clear();
  ExchangeAction out;
  out.octets = keep_alive();
  return out;
}

// Any other answer proves that the unit is there (check-values section 4: every request keeps the session).
ExchangeAction RtspExchange::take_keep_alive(const RtspMessage& answer) {
  if (answer.status == 454) {
    session_.clear();
    return fail(FaultKind::refused, "the unit has ended the session: " + status_sentence(answer),
                "repeat; if it stays so, look whether another viewer takes its place");
  }
  if (method_refused(answer.status) && !keep_alive_methods_.empty()) {
    result_.keep_alive_method = keep_alive_methods_.front();
    keep_alive_methods_.erase(keep_alive_methods_.begin());
  }
  return {};
}

std::optional<ExchangeAction> RtspExchange::take_version(const RtspMessage& answer) {
  if (settings_.version == RtspVersion::v2 && answer.version == 1)
    return fail(FaultKind::unsupported, "the unit speaks RTSP 1.0 only", "ask for RTSP 1.0");
  if (settings_.version == RtspVersion::automatic && result_.version == 1 &&
      (answer.version == 2 || answer.status == 505)) {
    result_.version = 2;
    // 400 is what a server of 2.0 may say of a request that it cannot read.
    if (answer.status == 505 || answer.status == 400) return send_step();
  }
  return std::nullopt;
}

ExchangeAction RtspExchange::take_refusal(const RtspMessage& answer) {
  const int status = answer.status;
  // Some units refuse OPTIONS and serve all the rest; what is wrong with the URL, DESCRIBE will tell.
  if (step_ == Step::options && (status == 400 || status == 404 || method_refused(status))) {
    take_methods(answer);
    step_ = Step::describe;
    return send_step();
  }
  if (step_ == Step::setup && track_ > 0) {
    drop_track("the unit answered " + status_sentence(answer));
    return next_setup();
  }
  if (step_ == Step::play) return take_play_refusal(answer);
  if (status == 305)
    return fail(FaultKind::refused, "the unit wants to be asked through a proxy: " + excerpt(answer.header("location")),
                "look at the unit's network settings");
  return fail_by_status(answer);
}

ExchangeAction RtspExchange::take_play_refusal(const RtspMessage& answer) {
  const int status = answer.status;
  if (status == 457 && with_range_ && result_.version == 1) {  // a live stream that knows no beginning
    with_range_ = false;
    return send_step();
  }
  const bool guessed_wrong = !aggregate_told_ && (status == 404 || status == 405 || status == 455 || status == 460);
  if (!track_by_track_ && (status == 459 || guessed_wrong)) {
    track_by_track_ = true;
    return send_step();
  }
  if (!track_by_track_ || track_ == 0) return fail_by_status(answer);
  drop_track("the unit answered " + status_sentence(answer));
  return next_play();
}

ExchangeAction RtspExchange::take_step(const RtspMessage& answer) {
  if (result_.server.empty()) result_.server = excerpt(answer.header("server"));
  switch (step_) {
    case Step::options:
      take_methods(answer);
      step_ = Step::describe;
      return send_step();
    case Step::describe: return take_description(answer);
    case Step::setup: return take_setup(answer);
    case Step::play:
      if (track_by_track_) ++track_;
      return next_play();
    case Step::ports:
    case Step::playing:
    case Step::over: break;
  }
  return {};
}

// GET_PARAMETER without a body is the usual one in 1.0 (RFC 2326 §10.8); 2.0 advises SET_PARAMETER (RFC 7826 §10.5,
// from memory). OPTIONS is always there.
void RtspExchange::take_methods(const RtspMessage& answer) {
  const auto methods = answer.list("public") + "," + answer.list("allow");
  const bool two = result_.version == 2;
  std::vector<std::string> ladder;
  for (const char* method : {two ? "SET_PARAMETER" : "GET_PARAMETER", two ? "GET_PARAMETER" : "SET_PARAMETER"})
    if (names(methods, method)) ladder.push_back(method);
  ladder.push_back("OPTIONS");
  result_.keep_alive_method = ladder.front();
  keep_alive_methods_.assign(ladder.begin() + 1, ladder.end());
}

ExchangeAction RtspExchange::take_description(const RtspMessage& answer) {
  const auto session = decode_sdp(answer.body);
  if (!session)
    return fail(FaultKind::malformed, "the unit's session description cannot be read",
                "repeat; if it stays so, the unit's firmware is at fault");
  auto plan = plan_tracks(*session, base_of(answer, settings_.url), settings_.every_track);
  if (!plan) return fail(plan.error().kind, plan.error().what, plan.error().try_next);
  result_.tracks = std::move(plan->tracks);
  result_.left_out = std::move(plan->left_out);
  aggregate_ = std::move(plan->aggregate);
  aggregate_told_ = plan->aggregate_told;
  step_ = settings_.transport == LowerTransport::udp ? Step::ports : Step::setup;
  return send_step();
}

ExchangeAction RtspExchange::take_setup(const RtspMessage& answer) {
  const auto session = decode_session(answer.header("session"));
  auto& track = result_.tracks[track_];
  if (track_ == 0) {
    if (!session)
      return fail(FaultKind::malformed, "the unit's answer to SETUP names no session", "repeat; then restart the unit");
    session_ = session->id;
    result_.timeout_s = std::min(session->timeout_s, longest_timeout_s);
  } else if (session && session->id != session_) {
    strays_.emplace_back(track.url, session->id);
    drop_track("the unit gives it a session of its own, beside that of the picture");
    return next_setup();
  } else if (session && session->timeout_told) {
    result_.timeout_s = std::min(result_.timeout_s, session->timeout_s);
  }
  auto grant = accept_grant(answer, offer(), track.media, result_.tracks, track_);
  if (!grant && track_ == 0) return fail(grant.error().kind, grant.error().what, grant.error().try_next);
  if (!grant) {
    drop_track(grant.error().what);
    return next_setup();
  }
  track.transport = std::move(*grant);
  ++track_;
  return next_setup();
}

}  // namespace tallywire::wire
