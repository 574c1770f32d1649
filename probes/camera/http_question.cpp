#include "probes/camera/http_question.hpp"

#include "probes/deadline.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/ip/address.hpp>
#include <boost/asio/ssl.hpp>
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
  if (code == http::error::end_of_stream || code == asio::ssl::error::stream_truncated)
    return {FaultKind::unreachable, "the unit hung up without an answer", where, "repeat, then restart the unit"};
  if (code == http::error::partial_message)
    return {FaultKind::malformed, "the unit hung up in the middle of its answer", where, "repeat"};
  if (code.category() == http::make_error_code(http::error::bad_version).category())
    return {FaultKind::malformed, "the unit's answer is no HTTP: " + code.message(), where, "check the port"};
  if (code.category() == asio::error::get_ssl_category())
    return {FaultKind::malformed, "the unit does not speak TLS 1.2 or newer here: " + code.message(), where,
            "check the port, and that HTTPS is switched on in the unit; without it set onvif_https to false"};
  return {FaultKind::unreachable, "the unit cannot be reached: " + code.message(), where,
          "check address, cable and power"};
}

http::request<http::string_body> request_of(const HttpQuestion& question, const std::string& where) {
  http::request<http::string_body> out{http::verb::post, question.path, 11};
  out.set(http::field::host, where);
  out.set(http::field::user_agent, "tallywire");
  out.set(http::field::content_type, question.content_type);
  if (!question.authorization.empty()) out.set(http::field::authorization, question.authorization);
  out.keep_alive(false);
  out.body() = question.body;
  out.prepare_payload();
  return out;
}

template <class Stream>
asio::awaitable<Outcome<HttpAnswer>> exchange(Stream& stream, const HttpQuestion& question, const std::string& where) {
  auto request = request_of(question, where);
  auto [unsent, sent] = co_await http::async_write(stream, request, asio::as_tuple(asio::use_awaitable));
  if (unsent) co_return broken(unsent, where);
  boost::beast::flat_buffer buffer(64 * 1024);
  http::response_parser<http::string_body> parser;
  parser.body_limit(question.largest_answer);
  auto [unread, count] = co_await http::async_read(stream, buffer, parser, asio::as_tuple(asio::use_awaitable));
  // A body without a length ends with the connection, and many units close that without TLS's farewell.
  const bool ended = unread == asio::ssl::error::stream_truncated && parser.is_header_done() && parser.need_eof();
  if (unread && !ended) co_return broken(unread, where);
  HttpAnswer out;
  out.status = parser.get().result_int();
  const auto [first, last] = parser.get().equal_range(http::field::www_authenticate);
  for (auto at = first; at != last; ++at) {
    if (!out.challenge.empty()) out.challenge += ", ";
    out.challenge.append(at->value().data(), at->value().size());
  }
  out.body = std::move(parser.get().body());
  co_return out;
}

// Units of the field hold certificates they signed themselves, often with keys that OpenSSL's default no longer takes.
void accept_any_unit(asio::ssl::context& context) {
  context.set_verify_mode(asio::ssl::verify_none);
  SSL_CTX_set_min_proto_version(context.native_handle(), TLS1_2_VERSION);
  SSL_CTX_set_security_level(context.native_handle(), 1);
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
  if (!question.tls) {
    auto plain = co_await exchange(socket, question, where);
    co_return plain;
  }
  asio::ssl::context context(asio::ssl::context::tls_client);
  accept_any_unit(context);
  asio::ssl::stream<tcp::socket&> stream(socket, context);
  auto [no_tls] = co_await stream.async_handshake(asio::ssl::stream_base::client, asio::as_tuple(asio::use_awaitable));
  if (no_tls) co_return broken(no_tls, where);
  auto certificate = certificate_of(stream.native_handle());
  auto answer = co_await exchange(stream, question, where);
  if (answer) answer->certificate = std::move(certificate);
  co_return answer;
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
