#include "probes/wire/rtsp_exchange.hpp"

#include "probes/wire/rtsp_text.hpp"
#include "probes/wire/url.hpp"

#include <algorithm>
#include <array>

namespace tallywire::wire {
namespace {

constexpr int most_redirects = 3;
constexpr std::size_t most_pending = 16;

// Longest patience of a session that is of use to anyone, and to arithmetic.
constexpr int longest_timeout_s = 24 * 3600;

bool secure(const std::string& url) { return url.rfind("rtsps:", 0) == 0; }

bool is_redirect(int status) {
  // RFC 2326 §11.3 takes them from HTTP; 307 and 308 are HTTP's later ones (RFC 9110 §15.4).
  return status == 301 || status == 302 || status == 303 || status == 305 || status == 307 || status == 308;
}

// Whether a list of methods ("OPTIONS, DESCRIBE") names this one.
bool names(std::string_view list, std::string_view method) {
  while (!list.empty())
    if (same(trim(cut(list, ',')), method)) return true;
  return false;
}

}  // namespace

RtspExchange::RtspExchange(ExchangeSettings settings) : settings_(std::move(settings)) {
  login_ = RtspLogin(settings_.login, settings_.cnonce);
  result_.version = settings_.version == RtspVersion::v2 ? 2 : 1;
}

std::string RtspExchange::request(const std::string& method, const std::string& url, const std::string& headers,
                                  Purpose purpose) {
  std::string out = method + " " + url + " RTSP/" + std::to_string(result_.version) +
                    ".0\r\nCSeq: " + std::to_string(++sequence_) + "\r\nUser-Agent: tallywire\r\n";
  if (!session_.empty()) out += "Session: " + session_ + "\r\n";
  const auto login = login_.line(method, url);
  if (pending_.size() >= most_pending) pending_.erase(pending_.begin());
  pending_.push_back({sequence_, purpose, !login.empty()});
  return out + login + headers + "\r\n";
}

ExchangeAction RtspExchange::send_step() {
  ExchangeAction out;
  switch (step_) {
    case Step::options: out.octets = request("OPTIONS", settings_.url, "", Purpose::step); break;
    case Step::describe:
      out.octets = request("DESCRIBE", settings_.url, "Accept: application/sdp\r\n", Purpose::step);
      break;
    case Step::ports:
      out.kind = ExchangeAction::Kind::open_ports;
      out.ports = result_.tracks.size();
      break;
    case Step::setup: {
      TransportOffer offer;
      offer.transport = settings_.transport;
      offer.profile = result_.tracks[track_].media.protocol;
      offer.channel = channel_;
      if (track_ < ports_.size()) offer.ports = ports_[track_];
      offer.version = result_.version;
      std::string headers = "Transport: " + encode_transport(offer) + "\r\n";
      if (result_.version == 2) headers += "Accept-Ranges: npt, smpte, clock\r\n";  // RFC 7826 §18.5
      out.octets = request("SETUP", result_.tracks[track_].url, headers, Purpose::step);
      break;
    }
    case Step::play:
      out.octets = request("PLAY", track_by_track_ ? result_.tracks[track_].url : aggregate_,
                           "Range: npt=0.000-\r\n", Purpose::step);
      break;
    case Step::playing: out.kind = ExchangeAction::Kind::playing; break;
    case Step::over: break;
  }
  return out;
}

ExchangeAction RtspExchange::begin() {
  pending_.clear();
  return send_step();
}

ExchangeAction RtspExchange::fail(FaultKind kind, std::string what, std::string try_next) {
  step_ = Step::over;
  ExchangeAction out;
  out.kind = ExchangeAction::Kind::failed;
  out.fault = {kind, std::move(what), settings_.where, std::move(try_next)};
  return out;
}

ExchangeAction RtspExchange::fail_by_status(const RtspMessage& answer) {
  auto meaning = rtsp_status_text(answer.status);
  if (meaning.empty()) meaning = excerpt(answer.reason);
  const auto kind = answer.status == 461 ? FaultKind::unsupported : FaultKind::refused;
  return fail(kind, "the unit answered " + std::to_string(answer.status) + ": " + meaning,
              answer.status == 404 ? "compare the path with what the unit calls its streams" : "");
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
  if (answer.status >= 200) pending_.erase(at);  // 1xx: the answer itself is still to come (RFC 2326 §11.1? of HTTP)
  return out;
}

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

ExchangeAction RtspExchange::take_challenge(const RtspMessage& answer, const Pending& pending) {
  switch (login_.challenged(answer, pending.with_login, settings_.allow_basic || secure(settings_.url))) {
    case RtspLogin::Answer::none_given:
      return fail(FaultKind::refused, "the unit asks for a login and none was given",
                  "name a secret with its user and password");
    case RtspLogin::Answer::nothing_safe:
      return fail(FaultKind::refused, "the unit offers no login that keeps the password safe",
                  "set the unit to Digest, or use RTSP over TLS");
    case RtspLogin::Answer::refused:
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

// A unit that refuses the method it announced is asked by the next one; any answer proves that it is there.
ExchangeAction RtspExchange::take_keep_alive(const RtspMessage& answer) {
  if (answer.status == 454)
    return fail(FaultKind::refused, "the unit has ended the session: " + rtsp_status_text(454),
                "repeat; if it stays so, look for another viewer that takes its place");
  if (answer.status == 405 || answer.status == 501 || answer.status == 551) result_.keep_alive_method = "OPTIONS";
  return {};
}

std::optional<ExchangeAction> RtspExchange::take_version(const RtspMessage& answer) {
  const bool may_change = settings_.version == RtspVersion::automatic && result_.version == 1;
  if (may_change && (answer.version == 2 || answer.status == 505)) {
    result_.version = 2;
    // 400 may be what a 2.0 server says of a request that it reads as broken.
    if (answer.status == 505 || answer.status == 400) return send_step();
  }
  if (answer.version != result_.version && settings_.version == RtspVersion::v2)
    return fail(FaultKind::unsupported, "the unit speaks RTSP 1.0 only", "ask for RTSP 1.0");
  if (answer.status == 505)
    return fail(FaultKind::unsupported, "the unit answered 505: " + rtsp_status_text(505), "ask for another RTSP version");
  return std::nullopt;
}

ExchangeAction RtspExchange::redirect(const std::string& location) {
  const auto to = decode_url(resolve_reference(settings_.url, location));
  const auto from = decode_url(settings_.url);
  if (location.empty() || !to || !from || to->scheme.rfind("rtsp", 0) != 0)
    return fail(FaultKind::malformed, "the unit sends us elsewhere and does not say where",
                "look at the unit's own page for the address of this stream");
  if (!same_host(to->host, from->host))
    return fail(FaultKind::refused, "the unit sends us to another host: " + to->text(),
                "if that is meant, ask for that address; otherwise look at the unit's network settings");
  if (secure(settings_.url) && to->scheme != "rtsps")
    return fail(FaultKind::refused, "the unit sends us from an encrypted to an open connection: " + to->text(),
                "ask for that address, if that is meant");
  if (++redirects_ > most_redirects)
    return fail(FaultKind::refused, "the unit sends us on more than " + std::to_string(most_redirects) + " times",
                "look at the unit's own page for the address of this stream");
  settings_.url = to->text();
  settings_.where = to->host + ":" + std::to_string(to->port);
  login_.forget();
  session_.clear();
  strays_.clear();
  ports_.clear();
  track_ = 0;
  channel_ = 0;
  track_by_track_ = false;
  result_ = {};
  result_.version = settings_.version == RtspVersion::v2 ? 2 : 1;
  step_ = Step::options;
  ExchangeAction out;
  out.kind = ExchangeAction::Kind::reconnect;
  out.url = settings_.url;
  return out;
}

ExchangeAction RtspExchange::take_refusal(const RtspMessage& answer) {
  const int status = answer.status;
  // Some units refuse OPTIONS and serve all the rest; what is wrong with the URL, DESCRIBE will tell.
  if (step_ == Step::options && (status == 400 || status == 404 || status == 405 || status == 501 || status == 551)) {
    take_methods(answer);
    step_ = Step::describe;
    return send_step();
  }
  if (step_ == Step::setup && track_ > 0) {
    auto meaning = rtsp_status_text(status);
    if (meaning.empty()) meaning = excerpt(answer.reason);
    return leave_out("the unit answered " + std::to_string(status) + ": " + meaning);
  }
  return fail_by_status(answer);
}

void RtspExchange::take_methods(const RtspMessage& answer) {
  const auto methods = answer.list("public") + "," + answer.list("allow");
  for (const char* method : {"GET_PARAMETER", "SET_PARAMETER"})
    if (names(methods, method)) {
      result_.keep_alive_method = method;
      return;
    }
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
    case Step::play: return take_play();
    case Step::ports:
    case Step::playing:
    case Step::over: break;
  }
  return {};
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

ExchangeAction RtspExchange::give_ports(std::vector<PortPair> ports) {
  if (step_ != Step::ports) return {};
  if (ports.empty())
    return fail(FaultKind::system, "no UDP ports could be opened", "end other programs that receive streams, or use tcp");
  ports_ = std::move(ports);
  while (result_.tracks.size() > ports_.size()) {
    result_.left_out.push_back(track_name(result_.tracks.back().media) + ": no UDP ports were left for it");
    result_.tracks.pop_back();
  }
  step_ = Step::setup;
  return send_step();
}

// Reads the grant into the track. A sentence when it is of no use.
std::string RtspExchange::fault_of_setup(const RtspMessage& answer) {
  const auto grants = decode_transport(answer.header("transport"));
  if (!grants || grants->empty()) return "the unit's answer to SETUP cannot be read";
  auto grant = grants->front();
  const bool tcp = settings_.transport == LowerTransport::tcp;
  const bool multicast = settings_.transport == LowerTransport::multicast;
  if (grant.tcp != tcp || (multicast ? grant.unicast : grant.multicast))
    return "the unit granted another transport than was asked for";
  if (tcp && grant.rtp_channel < 0) {  // not told: as asked
    grant.rtp_channel = channel_;
    grant.rtcp_channel = channel_ + 1;
  }
  result_.tracks[track_].transport = std::move(grant);
  return {};
}

ExchangeAction RtspExchange::take_setup(const RtspMessage& answer) {
  const auto session = decode_session(answer.header("session"));
  const bool tcp = settings_.transport == LowerTransport::tcp;
  if (track_ == 0) {
    if (!session) return fail(FaultKind::malformed, "the unit's answer to SETUP names no session", "");
    session_ = session->id;
    result_.timeout_s = std::min(session->timeout_s, longest_timeout_s);
  }
  const auto fault = fault_of_setup(answer);
  if (!fault.empty() && track_ == 0) {
    const bool unread = fault.find("cannot be read") != std::string::npos;
    return fail(unread ? FaultKind::malformed : FaultKind::unsupported, fault, unread ? "" : tcp ? "try udp" : "try tcp");
  }
  if (!fault.empty()) return leave_out(fault);
  ++track_;
  return next_setup();
}

ExchangeAction RtspExchange::leave_out(const std::string& reason) {
  const auto at = result_.tracks.begin() + static_cast<std::ptrdiff_t>(track_);
  result_.left_out.push_back(track_name(at->media) + ": " + reason);
  result_.tracks.erase(at);
  if (track_ < ports_.size()) ports_.erase(ports_.begin() + static_cast<std::ptrdiff_t>(track_));
  return next_setup();
}

ExchangeAction RtspExchange::next_setup() {
  channel_ += 2;
  if (track_ == result_.tracks.size()) {
    step_ = Step::play;
    track_ = 0;
  }
  return send_step();
}

ExchangeAction RtspExchange::take_play() {
  step_ = Step::playing;
  return send_step();
}

ExchangeAction RtspExchange::serve(const RtspMessage&) { return {}; }

std::string RtspExchange::keep_alive() {
  if (step_ != Step::playing) return {};
  return request(result_.keep_alive_method, aggregate_, "", Purpose::keep_alive);
}

std::string RtspExchange::teardown() {
  if (session_.empty()) return {};
  auto out = request("TEARDOWN", aggregate_, "", Purpose::step);
  session_.clear();
  step_ = Step::over;
  return out;
}

}  // namespace tallywire::wire
