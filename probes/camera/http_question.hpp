// One HTTP or HTTPS POST to a unit. Beast and TLS stay in the .cpp: they are heavy to compile.
#pragma once

#include "probes/certificate.hpp"
#include "probes/fault.hpp"
#include "probes/reading.hpp"

#include <boost/asio/awaitable.hpp>

#include <chrono>
#include <cstdint>
#include <optional>
#include <string>

namespace tallywire::camera {

struct HttpAnswer {
  unsigned status = 0;
  std::string body;
  std::string challenge;  // every WWW-Authenticate header, joined by commas (RFC 7230 §3.2.2)
  std::optional<Certificate> certificate;  // with TLS
};

struct HttpQuestion {
  std::string address;    // numeric
  std::uint16_t tcp_port = 80;
  bool tls = false;       // 1.2 or newer; any certificate is accepted
  std::string path;
  std::string content_type;
  std::string body;
  std::string authorization;  // empty: none
  std::size_t largest_answer = 256 * 1024;
  std::chrono::milliseconds limit{5000};
};

// "address:port", as the Host header writes it: IPv6 in brackets (RFC 3986 §3.2.2).
std::string place_of(const std::string& address, std::uint16_t tcp_port);

// Any status is an answer; a Fault is `unreachable` for who hangs up, `refused` for who refuses the connection,
// `timed_out` for who is silent, `malformed` for what is no HTTP or no TLS, cut off or larger than `largest_answer`.
boost::asio::awaitable<Outcome<HttpAnswer>> ask_http(HttpQuestion question);

}  // namespace tallywire::camera
