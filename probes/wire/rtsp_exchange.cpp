#include "probes/wire/rtsp_exchange.hpp"

#include "probes/wire/rtsp_grant.hpp"
#include "probes/wire/rtsp_text.hpp"
#include "probes/wire/url.hpp"

#include <algorithm>

namespace tallywire::wire {
namespace {

constexpr int most_redirects = 3;
// Keep-alives that a unit leaves without an answer must not pile up.
constexpr std::size_t most_pending = 16;

bool secure(const std::string& url) { return url.rfind("rtsps:", 0) == 0; }

}  // namespace

RtspExchange::RtspExchange(ExchangeSettings settings) : settings_(std::move(settings)) {
  login_ = RtspLogin(settings_.login, settings_.cnonce);
  start_over(settings_.url);
}

void RtspExchange::start_over(const std::string& url) {
  settings_.url = url;
  login_.forget();
  step_ = Step::options;
  pending_.clear();
  track_by_track_ = false;
  with_range_ = true;
  keep_alive_methods_.clear();
  session_.clear();
  strays_.clear();
  ports_.clear();
  track_ = 0;
  channel_ = 0;
  result_ = {};
  result_.version = settings_.version == RtspVersion::v2 ? 2 : 1;
}

ExchangeAction RtspExchange::begin() {
  pending_.clear();
  return send_step();
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
    case Step::setup: out.octets = setup_request(); break;
    case Step::play: out.octets = play_request(); break;
    case Step::playing: out.kind = ExchangeAction::Kind::playing; break;
    case Step::over: break;
  }
  return out;
}

TransportOffer RtspExchange::offer() const {
  TransportOffer out;
  out.transport = settings_.transport;
  out.profile = result_.tracks[track_].media.protocol;
  out.channel = channel_;
  if (track_ < ports_.size()) out.ports = ports_[track_];
  out.version = result_.version;
  return out;
}

std::string RtspExchange::setup_request() {
  std::string headers = "Transport: " + encode_transport(offer()) + "\r\n";
  if (result_.version == 2) headers += "Accept-Ranges: npt, clock\r\n";  // RFC 7826 §18.5
  return request("SETUP", result_.tracks[track_].url, headers, Purpose::step);
}

std::string RtspExchange::play_request() {
  const auto& url = track_by_track_ ? result_.tracks[track_].url : aggregate_;
  // In 2.0 its absence is what suits a live stream as well as a recording (RFC 7826 §13.4, from memory).
  const bool range = with_range_ && result_.version == 1;
  return request("PLAY", url, range ? "Range: npt=0.000-\r\n" : "", Purpose::step);
}

ExchangeAction RtspExchange::fail(FaultKind kind, std::string what, std::string try_next) {
  step_ = Step::over;
  ExchangeAction out;
  out.kind = ExchangeAction::Kind::failed;
  out.fault = {kind, std::move(what), settings_.where, std::move(try_next)};
  return out;
}

ExchangeAction RtspExchange::fail_by_status(const RtspMessage& answer) {
  const auto kind = answer.status == 461 ? FaultKind::unsupported : FaultKind::refused;
  const char* try_next = "";
  if (answer.status == 404) try_next = "compare the path with what the unit calls its streams";
  if (answer.status == 453 || answer.status == 503) try_next = "close other viewers of this unit, then repeat";
  if (answer.status == 461) try_next = "try another transport";
  return fail(kind, "the unit answered " + status_sentence(answer), try_next);
}

ExchangeAction RtspExchange::redirect(const std::string& location) {
  const auto to = decode_url(resolve_reference(settings_.url, location));
  const auto from = decode_url(settings_.url);
  if (location.empty() || !to || !from || to->scheme.rfind("rtsp", 0) != 0)
    return fail(FaultKind::malformed, "the unit sends us elsewhere and does not say where",
                "look at the unit's own page for the address of this stream");
  const auto where_to = excerpt(to->text());
  if (!same_host(to->host, from->host))
    return fail(FaultKind::refused, "the unit sends us to another host: " + where_to,
                "if that is meant, ask for that address; otherwise look at the unit's network settings");
  if (secure(settings_.url) && !secure(to->text()))
    return fail(FaultKind::refused, "the unit sends us from an encrypted to an open connection: " + where_to,
                "ask for that address, if that is meant");
  if (++redirects_ > most_redirects)
    return fail(FaultKind::refused, "the unit sends us on more than " + std::to_string(most_redirects) + " times",
                "look at the unit's own page for the address of this stream");
  start_over(to->text());
  const bool v6 = to->host.find(':') != std::string::npos;
  settings_.where = (v6 ? "[" + to->host + "]" : to->host) + ":" + std::to_string(to->port);
  ExchangeAction out;
  out.kind = ExchangeAction::Kind::reconnect;
  out.url = settings_.url;
  return out;
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
  for (std::size_t i = 0; i < result_.tracks.size(); ++i) result_.tracks[i].own_ports = ports_[i];
  step_ = Step::setup;
  return send_step();
}

// The first video is never dropped: without it there is nothing to meter.
void RtspExchange::drop_track(const std::string& reason) {
  const auto at = static_cast<std::ptrdiff_t>(track_);
  result_.left_out.push_back(track_name(result_.tracks[track_].media) + ": " + reason);
  result_.tracks.erase(result_.tracks.begin() + at);
  if (track_ < ports_.size()) ports_.erase(ports_.begin() + at);
}

ExchangeAction RtspExchange::next_setup() {
  channel_ = free_channel(channel_ + 2, result_.tracks, track_);
  if (track_ == result_.tracks.size()) {
    step_ = Step::play;
    track_ = 0;
  }
  return send_step();
}

ExchangeAction RtspExchange::next_play() {
  if (!track_by_track_ || track_ == result_.tracks.size()) step_ = Step::playing;
  return send_step();
}

std::string RtspExchange::keep_alive() {
  if (step_ != Step::playing) return {};
  const auto& url = track_by_track_ ? result_.tracks.front().url : aggregate_;
  return request(result_.keep_alive_method, url, "", Purpose::keep_alive);
}

std::string RtspExchange::teardown() {
  if (session_.empty()) return {};
  std::string out;
  if (!track_by_track_) out = request("TEARDOWN", aggregate_, "", Purpose::farewell);
  for (std::size_t i = 0; track_by_track_ && i < result_.tracks.size(); ++i)
    out += request("TEARDOWN", result_.tracks[i].url, "", Purpose::farewell);
  for (const auto& [url, id] : strays_) {
    session_ = id;
    out += request("TEARDOWN", url, "", Purpose::farewell);
  }
  session_.clear();
  strays_.clear();
  step_ = Step::over;
  return out;
}

}  // namespace tallywire::wire
