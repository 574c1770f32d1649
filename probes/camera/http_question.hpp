// One HTTP POST to a unit. Beast stays in the .cpp: it is heavy to compile.
#pragma once

#include "probes/fault.hpp"

#include <boost/asio/awaitable.hpp>

#include <chrono>
#include <string>

namespace tallywire::camera {

struct HttpAnswer {
  unsigned status = 0;
  std::string body;
  std::string challenge;  // WWW-Authenticate, when there is one
};

struct HttpQuestion {
  std::string address;    // numeric
  std::uint16_t tcp_port = 80;
  std::string path;
  std::string content_type;
  std::string body;
  std::string authorization;  // empty: none
  std::size_t largest_answer = 256 * 1024;
  std::chrono::milliseconds limit{5000};
};

boost::asio::awaitable<Outcome<HttpAnswer>> ask_http(HttpQuestion question);

}  // namespace tallywire::camera
