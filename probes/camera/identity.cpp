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

// Units of today want HTTP digest, older ones the username token: the token first, and where HTTP asks for a
// login, one answer to its challenge. Neither is sent twice.
asio::awaitable<Outcome<HttpAnswer>> ask_with_login(CameraRequest request, SystemTime unit_time) {
  auto onvif = wire::encode_onvif("GetDeviceInformation", soap_login(*request.login, unit_time));
  auto question = question_of(request, std::move(onvif));
  auto answer = co_await ask_http(question);
  if (!answer || answer->status != 401) co_return answer;
  const auto challenge = wire::choose_challenge(wire::decode_challenges(answer->challenge), false);
  if (!challenge) co_return answer;
  wire::DigestInput input;
  input.method = "POST";
  input.uri = question.path;
  std::array<std::uint8_t, 8> random{};
  RAND_bytes(random.data(), static_cast<int>(random.size()));
  input.cnonce = wire::to_hex(random);
  question.authorization = wire::authorization(*challenge, *request.login, input);
  auto second = co_await ask_http(std::move(question));
  co_return second;
}

}  // namespace

asio::awaitable<Outcome<CameraReport>> ask_camera(CameraRequest request) {
  const std::string where = request.address + ":" + std::to_string(request.onvif_tcp_port);
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
  if (time) {
    unit_time = time->utc;
    // The unit read its clock between question and answer, and told whole seconds of it, cut off.
    const double middle = std::chrono::duration<double>(time->utc - asked_utc).count() - took / 2;
    out.clock_offset_s = middle + 0.5;
    out.clock_uncertainty_s = 0.5 + took / 2;
    out.clock_source = time->by_ntp ? "NTP" : "manual";
  } else {
    out.unread["clock_offset_s"] = out.unread["clock_source"] = time.error().what;
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
  if (told->status == 401) {
    unread_identity(out, "login refused");
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
    out.push_back(*value && !(*value)->empty() ? read_word(subject, quantity, **value, "ONVIF device information", r.when)
                                               : unread(subject, quantity, reason(quantity), r.when));
  return out;
}

}  // namespace tallywire::camera
