#include "probes/camera/http_question.hpp"

#include "probes/deadline.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/ip/address.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/core/tcp_stream.hpp>
#include <boost/beast/http.hpp>

namespace tallywire::camera {

namespace asio = boost::asio;
namespace http = boost::beast::http;
using asio::ip::tcp;

namespace {

Fault broken(const boost::system::error_code& code, const std::string& where) {
  if (code == asio::error::connection_refused)
    return {FaultKind::refused, "the unit refuses connections on this port", where,
            "check the port, and that ONVIF is switched on in the unit"};
  if (code == http::error::body_limit || code == http::error::header_limit)
    return {FaultKind::malformed, "the unit's answer is larger than any such answer", where, ""};
  // Beast counts a hang-up among the errors of the protocol.
  if (code == http::error::end_of_stream)
    return {FaultKind::unreachable, "the unit hung up without an answer", where, "repeat, then restart the unit"};
  if (code == http::error::partial_message)
    return {FaultKind::malformed, "the unit hung up in the middle of its answer", where, "repeat"};
  if (code.category() == http::make_error_code(http::error::bad_version).category())
    return {FaultKind::malformed, "the unit's answer is no HTTP: " + code.message(), where, "check the port"};
  return {FaultKind::unreachable, "the unit cannot be reached: " + code.message(), where,
          "check address, cable and power"};
}

asio::awaitable<Outcome<HttpAnswer>> converse(HttpQuestion question, std::string where) {
  boost::system::error_code code;
  const auto address = asio::ip::make_address(question.address, code);
  if (code) {
    Fault fault{FaultKind::bad_request, "the host is no IP address", question.address, "give it in numbers"};
    co_return fault;
  }
  tcp::socket socket(co_await asio::this_coro::executor);
  tcp::endpoint endpoint(address, question.tcp_port);
  auto [refused] = co_await socket.async_connect(endpoint, asio::as_tuple(asio::use_awaitable));
  if (refused) co_return broken(refused, where);
  http::request<http::string_body> request{http::verb::post, question.path, 11};
  request.set(http::field::host, where);
  request.set(http::field::user_agent, "tallywire");
  request.set(http::field::content_type, question.content_type);
  if (!question.authorization.empty()) request.set(http::field::authorization, question.authorization);
  request.keep_alive(false);
  request.body() = question.body;
  request.prepare_payload();
  auto [unsent, sent] = co_await http::async_write(socket, request, asio::as_tuple(asio::use_awaitable));
  if (unsent) co_return broken(unsent, where);
  boost::beast::flat_buffer buffer(64 * 1024);
  http::response_parser<http::string_body> parser;
  parser.body_limit(question.largest_answer);
  auto [unread, count] = co_await http::async_read(socket, buffer, parser, asio::as_tuple(asio::use_awaitable));
  if (unread) co_return broken(unread, where);
  HttpAnswer out;
  out.status = parser.get().result_int();
  const auto challenge = parser.get()[http::field::www_authenticate];
  out.challenge.assign(challenge.data(), challenge.size());
  out.body = std::move(parser.get().body());
  co_return out;
}

}  // namespace

std::string place_of(const std::string& address, std::uint16_t tcp_port) {
  const auto host = address.find(':') == std::string::npos ? address : "[" + address + "]";
  return host + ":" + std::to_string(tcp_port);
}

asio::awaitable<Outcome<HttpAnswer>> ask_http(HttpQuestion question) {
  const auto limit = question.limit;
  const std::string where = place_of(question.address, question.tcp_port);
  auto conversation = converse(std::move(question), where);
  co_return co_await within<HttpAnswer>(limit, std::move(conversation), "the unit's answer", where);
}

}  // namespace tallywire::camera
