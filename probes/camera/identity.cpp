#include "probes/camera/identity.hpp"

#include "probes/camera/http_question.hpp"
#include "probes/wire/base64.hpp"
#include "probes/wire/onvif.hpp"

#include <openssl/rand.h>

#include <array>

namespace tallywire::camera {

namespace asio = boost::asio;
using Clock = std::chrono::steady_clock;

namespace {

HttpQuestion question_of(const CameraRequest& request, wire::OnvifRequest onvif) {
  HttpQuestion out;
  out.address = request.address;
  out.tcp_port = request.onvif_tcp_port;
  out.path = std::move(onvif.path);
  out.content_type = std::move(onvif.content_type);
  out.body = std::move(onvif.body);
  out.limit = request.answer_limit;
  return out;
}

wire::SoapLogin soap_login(const wire::Credentials& login, SystemTime unit_time) {
  wire::SoapLogin out{login, std::vector<std::uint8_t>(16), unit_time};
  RAND_bytes(out.nonce.data(), static_cast<int>(out.nonce.size()));
  return out;
}

const char* const identity_fields[] = {"manufacturer", "model", "firmware", "serial"};

void unread_identity(CameraReport& out, const std::string& reason) {
  for (const char* field : identity_fields) out.unread[field] = reason;
}

// What an HTTP status alone says; SOAP faults come with 400 and 500 (SOAP 1.2 part 2 §7.5.2) and are read as such.
std::optional<std::string> said_by_status(unsigned status) {
  if (status == 401 || status == 403) return "login refused";
  if (status / 100 == 2 || status == 400 || status == 500) return std::nullopt;
  return "the unit answers HTTP " + std::to_string(status) + " where ONVIF should be";
}

bool wants_login(const HttpAnswer& answer, const std::string& where) {
  if (answer.status == 401 || answer.status == 403) return true;
  const auto information = wire::decode_unit_information(answer.body, where);
  return !information && information.error().kind == FaultKind::refused;
}

// Units of today want HTTP digest, older ones the username token (ONVIF Core, security). Which, the unit says when
// it is asked without: so the password is tried once only, and no unit counts two failures for one round.
asio::awaitable<Outcome<HttpAnswer>> ask_with_login(CameraRequest request, SystemTime unit_time) {
  const auto where = place_of(request.address, request.onvif_tcp_port);
  auto question = question_of(request, wire::encode_onvif("GetDeviceInformation", std::nullopt));
  auto open = co_await ask_http(question);
  if (!open || !wants_login(*open, where)) co_return open;
  const auto challenges = wire::decode_challenges(open->challenge);
  if (const auto challenge = wire::choose_challenge(challenges, false)) {
    wire::DigestInput input;
    input.method = "POST";
    input.uri = question.path;
    std::array<std::uint8_t, 8> random{};
    RAND_bytes(random.data(), static_cast<int>(random.size()));
    input.cnonce = wire::to_hex(random);
    question.authorization = wire::authorization(*challenge, *request.login, input);
  } else {
    auto login = soap_login(*request.login, unit_time);
    question = question_of(request, wire::encode_onvif("GetDeviceInformation", std::move(login)));
  }
  auto answer = co_await ask_http(std::move(question));
  co_return answer;
}

}  // namespace

asio::awaitable<Outcome<CameraReport>> ask_camera(CameraRequest request) {
  const std::string where = place_of(request.address, request.onvif_tcp_port);
  auto question = question_of(request, wire::encode_onvif("GetSystemDateAndTime", std::nullopt));
  const auto asked = Clock::now();
  const auto asked_utc = now_utc();
  auto answer = co_await ask_http(std::move(question));
  if (!answer) co_return answer.error();
  const auto took = std::chrono::duration<double>(Clock::now() - asked).count();
  CameraReport out;
  out.when = now_utc();
  SystemTime unit_time = out.when;
  const auto time = wire::decode_unit_time(answer->body, where);
  const auto said = said_by_status(answer->status);
  if (said) {
    out.unread["clock_offset_s"] = out.unread["clock_source"] = *said;
  } else if (time) {
    unit_time = time->utc;
    // The unit read its clock between question and answer, and told whole seconds of it, cut off.
    const double middle = std::chrono::duration<double>(time->utc - asked_utc).count() - took / 2;
    out.clock_offset_s = middle + 0.5;
    out.clock_uncertainty_s = 0.5 + took / 2;
    out.clock_source = time->by_ntp ? "NTP" : "manual";
  } else {
    out.unread["clock_offset_s"] = out.unread["clock_source"] = time.error().what;
  }
  if (said && answer->status != 401 && answer->status != 403) {
    unread_identity(out, *said);  // no ONVIF here: whoever it is gets no login
    co_return out;
  }
  if (!request.login) {
    unread_identity(out, "no login was given");
    co_return out;
  }
  auto told = co_await ask_with_login(std::move(request), unit_time);
  if (!told) {
    unread_identity(out, told.error().what);
    co_return out;
  }
  if (const auto refusal = said_by_status(told->status)) {
    unread_identity(out, *refusal);
    co_return out;
  }
  const auto information = wire::decode_unit_information(told->body, where);
  if (!information) {
    unread_identity(out, information.error().what);
    co_return out;
  }
  out.manufacturer = information->manufacturer;
  out.model = information->model;
  out.firmware = information->firmware;
  out.serial = information->serial;
  co_return out;
}

std::vector<Reading> to_readings(const CameraReport& r, const std::string& subject) {
  std::vector<Reading> out;
  const auto reason = [&](const char* field) {
    const auto at = r.unread.find(field);
    return at == r.unread.end() ? std::string("the unit does not tell") : at->second;
  };
  out.push_back(r.clock_offset_s
                    ? read_number(subject, "clock_offset_s", *r.clock_offset_s, "ONVIF date and time", r.when, {},
                                  r.clock_uncertainty_s)
                    : unread(subject, "clock_offset_s", reason("clock_offset_s"), r.when));
  for (const auto& [quantity, value] :
       {std::pair{"serial", &r.serial}, std::pair{"firmware", &r.firmware}, std::pair{"model", &r.model}})
    out.push_back(*value && !(*value)->empty()
                      ? read_word(subject, quantity, **value, "ONVIF device information", r.when)
                                               : unread(subject, quantity, reason(quantity), r.when));
  return out;
}

}  // namespace tallywire::camera
