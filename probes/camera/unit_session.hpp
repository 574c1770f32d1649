// The questions to one unit, one after another: they share a deadline and a login. Network thread; the session outlives
// every question.
//
// Login: a question is asked open first. When the unit wants a login, it says which by how it refuses: HTTP digest (RFC
// 7616) when it challenges with it, else the WS-Security username token with the unit's own time (ONVIF Core, security).
// A password that is refused is tried once only, and never again in this session; a nonce that went stale is answered
// with the new one. Basic is never answered: it would show the password.
#pragma once

#include "probes/camera/http_question.hpp"
#include "probes/stop.hpp"
#include "probes/wire/digest.hpp"
#include "probes/wire/onvif.hpp"

#include <boost/asio/awaitable.hpp>

#include <chrono>
#include <optional>
#include <string>

namespace tallywire::camera {

struct CameraRequest {
  std::string address;                       // numeric
  std::uint16_t onvif_tcp_port = 80;
  bool https = false;
  std::optional<wire::Credentials> login;
  std::chrono::milliseconds answer_limit{5000};   // of one question
  std::chrono::milliseconds total_limit{20000};   // of all of them together
};

// Where a service answers.
struct ServicePlace {
  std::uint16_t tcp_port = 80;
  std::string path = wire::device_path;
};

class UnitSession {
 public:
  // `stop` must outlive the session; it is looked at between questions.
  UnitSession(CameraRequest request, const Stop& stop);

  const CameraRequest& request() const { return request_; }
  std::string where() const { return place_of(request_.address, request_.onvif_tcp_port); }
  ServicePlace device() const { return {request_.onvif_tcp_port, wire::device_path}; }

  // Without a login, whatever the unit says.
  boost::asio::awaitable<Outcome<HttpAnswer>> ask_open(wire::OnvifQuestion question, ServicePlace place);
  // The body of the answer, with the login when the unit wants it. A Fault of kind `refused` says "login refused", "no
  // login was given" or that this login may not ask this; `unsupported` when there is no ONVIF at that place.
  boost::asio::awaitable<Outcome<std::string>> ask(wire::OnvifQuestion question, ServicePlace place);
  void set_unit_time(SystemTime unit_time);
  // Whether a question was refused until it came with the login.
  bool asks_for_login() const { return way_ != Way::unknown; }

 private:
  enum class Way { unknown, digest, token, refused };
  boost::asio::awaitable<Outcome<HttpAnswer>> send(wire::OnvifQuestion question, ServicePlace place, bool open);
  bool adapt(const HttpAnswer& refusal);
  Fault refusal_fault() const;
  wire::SoapLogin token() const;
  std::string digest(const std::string& path);

  CameraRequest request_;
  const Stop& stop_;
  std::chrono::steady_clock::time_point end_;
  std::chrono::steady_clock::time_point unit_time_at_;
  SystemTime unit_time_;
  Way way_ = Way::unknown;
  bool accepted_ = false;
  wire::Challenge challenge_;
  std::uint32_t count_ = 0;
};

// What an HTTP status alone says; SOAP faults come with 400 and 500 (SOAP 1.2 part 2 §7.5.2) and are read as such.
std::optional<std::string> said_by_status(unsigned status);

}  // namespace tallywire::camera
