#include "probes/camera/unit_session.hpp"

#include "probes/wire/base64.hpp"
#include "probes/wire/onvif_media.hpp"

#include <openssl/rand.h>

#include <algorithm>
#include <array>

namespace tallywire::camera {

namespace asio = boost::asio;
using Clock = std::chrono::steady_clock;

namespace {

// Open, with the login, and twice again for nonces that went stale: a unit that refuses each nonce it gave ends there.
constexpr int most_tries = 4;

bool wants_login(const HttpAnswer& answer) {
  return answer.status == 401 || answer.status == 403 || wire::asks_for_login(answer.body);
}

}  // namespace

std::optional<std::string> said_by_status(unsigned status) {
  if (status == 401 || status == 403) return "login refused";
  if (status / 100 == 2 || status == 400 || status == 500) return std::nullopt;
  return "the unit answers HTTP " + std::to_string(status) + " where ONVIF should be";
}

UnitSession::UnitSession(CameraRequest request, const Stop& stop)
    : request_(std::move(request)),
      stop_(stop),
      end_(Clock::now() + request_.total_limit),
      unit_time_at_(Clock::now()),
      unit_time_(now_utc()) {}

void UnitSession::set_unit_time(SystemTime unit_time) {
  unit_time_ = unit_time;
  unit_time_at_ = Clock::now();
}

wire::SoapLogin UnitSession::token() const {
  wire::SoapLogin out{*request_.login, std::vector<std::uint8_t>(16), unit_time_ + (Clock::now() - unit_time_at_)};
  RAND_bytes(out.nonce.data(), static_cast<int>(out.nonce.size()));
  return out;
}

std::string UnitSession::digest(const std::string& path) {
  wire::DigestInput input;
  input.method = "POST";
  input.uri = path;
  input.count = ++count_;  // RFC 7616 §3.4: how often this nonce was used
  std::array<std::uint8_t, 8> random{};
  RAND_bytes(random.data(), static_cast<int>(random.size()));
  input.cnonce = wire::to_hex(random);
  return wire::authorization(challenge_, *request_.login, input);
}

asio::awaitable<Outcome<HttpAnswer>> UnitSession::send(wire::OnvifQuestion question, ServicePlace place, bool open) {
  const auto left = std::chrono::duration_cast<std::chrono::milliseconds>(end_ - Clock::now());
  if (stop_.requested()) {
    Fault stopped{FaultKind::cancelled, "asking the unit was stopped", where(), ""};
    co_return stopped;
  }
  if (left.count() <= 0) {
    const auto seconds = std::to_string(std::chrono::ceil<std::chrono::seconds>(request_.total_limit).count());
    Fault late{FaultKind::timed_out, "asking the unit took longer than " + seconds + " s", where(),
               "repeat when the unit has less to do"};
    co_return late;
  }
  std::optional<wire::SoapLogin> login;
  if (!open && way_ == Way::token) login = token();
  auto encoded = wire::encode_onvif(question, login);
  HttpQuestion http;
  http.address = request_.address;
  http.tcp_port = place.tcp_port;
  http.tls = request_.https;
  http.path = place.path;
  http.content_type = std::move(encoded.content_type);
  http.body = std::move(encoded.body);
  if (!open && way_ == Way::digest) http.authorization = digest(place.path);
  if (question.operation == "GetProfiles") http.largest_answer = wire::largest_profiles;
  http.limit = std::min(request_.answer_limit, left);
  auto answer = co_await ask_http(std::move(http));
  co_return answer;
}

// Whether there is something new to say to a refusal. It is the one place that decides how often a password is tried.
bool UnitSession::adapt(const HttpAnswer& refusal) {
  if (!request_.login) return false;
  const auto challenge = wire::choose_challenge(wire::decode_challenges(refusal.challenge), false);
  if (way_ == Way::unknown) {
    way_ = challenge ? Way::digest : Way::token;
  } else if (way_ == Way::digest && challenge && challenge->nonce != challenge_.nonce &&
             (challenge->stale || (accepted_ && count_ > 1))) {
    // RFC 7616 §3.3: stale says that the nonce was refused, not the password. Some units forget to say so; a password
    // that they took once is not wrong the second time.
  } else {
    if (!accepted_) way_ = Way::refused;
    return false;
  }
  if (challenge) challenge_ = *challenge;
  count_ = 0;
  return true;
}

Fault UnitSession::refusal_fault() const {
  if (!request_.login)
    return {FaultKind::refused, "no login was given", where(), "name the unit's login in the design (login_secret)"};
  if (accepted_)
    return {FaultKind::refused, "the unit lets this login not ask this", where(),
            "give the login the rights to read the unit's settings"};
  return {FaultKind::refused, "login refused", where(),
          "correct the secret; it was tried once, so that the unit locks nobody out"};
}

asio::awaitable<Outcome<HttpAnswer>> UnitSession::ask_open(wire::OnvifQuestion question, ServicePlace place) {
  auto answer = co_await send(std::move(question), std::move(place), true);
  co_return answer;
}

asio::awaitable<Outcome<std::string>> UnitSession::ask(wire::OnvifQuestion question, ServicePlace place) {
  for (int tries = 0; tries < most_tries && way_ != Way::refused; ++tries) {
    auto answer = co_await send(question, place, false);
    if (!answer) co_return answer.error();
    if (!wants_login(*answer)) {
      accepted_ = accepted_ || way_ != Way::unknown;
      if (const auto said = said_by_status(answer->status)) {
        Fault none{FaultKind::unsupported, *said, place_of(request_.address, place.tcp_port), ""};
        co_return none;
      }
      std::string body = std::move(answer->body);
      co_return body;
    }
    if (!adapt(*answer)) break;
  }
  if (!accepted_ && request_.login) way_ = Way::refused;
  co_return refusal_fault();
}

}  // namespace tallywire::camera
