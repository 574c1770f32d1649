#include "daemon/api/client.hpp"

#include "probes/deadline.hpp"
#include "probes/reading.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/read_until.hpp>
#include <boost/asio/write.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/http.hpp>

#include <charconv>
#include <memory>

namespace tallywire::api {

namespace asio = boost::asio;
namespace http = boost::beast::http;
using local = asio::local::stream_protocol;

namespace {

constexpr std::uint64_t largest_answer = 256 * 1024 * 1024;

Fault no_service(const std::string& socket, const boost::system::error_code& code) {
  return {FaultKind::unreachable, "no tallywired answers here: " + code.message(), socket,
          "start the service, give its --socket, or do the work here with --alone"};
}

FaultKind kind_of(const std::string& name) {
  for (const auto kind : {FaultKind::unreachable, FaultKind::timed_out, FaultKind::refused, FaultKind::malformed,
                          FaultKind::unsupported, FaultKind::bad_request, FaultKind::system, FaultKind::cancelled})
    if (name == name_of(kind)) return kind;
  return FaultKind::system;
}

asio::awaitable<Outcome<bool>> connect(local::socket& socket, std::string path) {
  local::endpoint endpoint(path);
  auto [code] = co_await socket.async_connect(endpoint, asio::as_tuple(asio::use_awaitable));
  if (code) co_return no_service(path, code);
  co_return true;
}

http::request<http::string_body> request_of(const std::string& method, const std::string& target, const nlohmann::json& body) {
  http::request<http::string_body> out;
  out.method_string(method);
  out.target(target);
  out.version(11);
  out.set(http::field::host, "tallywired");
  if (!body.is_null()) {
    out.set(http::field::content_type, "application/json");
    out.body() = json_line(body);
  }
  out.prepare_payload();
  return out;
}

asio::awaitable<Outcome<ServiceAnswer>> converse(std::string path, std::string method, std::string target, nlohmann::json body) {
  local::socket socket(co_await asio::this_coro::executor);
  auto connected = co_await connect(socket, path);
  if (!connected) co_return connected.error();
  auto request = request_of(method, target, body);
  auto [unsent, sent] = co_await http::async_write(socket, request, asio::as_tuple(asio::use_awaitable));
  if (unsent) co_return no_service(path, unsent);
  boost::beast::flat_buffer buffer;
  http::response_parser<http::string_body> parser;
  parser.body_limit(largest_answer);
  auto [unread, count] = co_await http::async_read(socket, buffer, parser, asio::as_tuple(asio::use_awaitable));
  if (unread) co_return no_service(path, unread);
  ServiceAnswer out;
  out.status = parser.get().result_int();
  out.body = nlohmann::json::parse(parser.get().body(), nullptr, false);
  if (out.status >= 400) {
    const auto error = out.body.is_object() ? out.body.value("error", nlohmann::json::object()) : nlohmann::json::object();
    Fault fault{kind_of(error.value("kind", "system")), error.value("what", "the service answered " + std::to_string(out.status)),
                error.value("where", ""), error.value("try_next", "")};
    co_return fault;
  }
  co_return out;
}

// One event from the lines up to the empty one; false when the callback wants no more.
bool take_event(const std::string& text, const OnEvent& on_event, std::optional<std::int64_t>& after) {
  std::string name, data;
  std::int64_t id = 0;
  std::size_t begin = 0;
  while (begin < text.size()) {
    const auto end = text.find('\n', begin);
    const auto line = text.substr(begin, end - begin);
    if (line.rfind("event: ", 0) == 0) name = line.substr(7);
    if (line.rfind("data: ", 0) == 0) data = line.substr(6);
    if (line.rfind("id: ", 0) == 0) std::from_chars(line.data() + 4, line.data() + line.size(), id);
    if (end == std::string::npos) break;
    begin = end + 1;
  }
  if (id > 0) after = id;
  if (name.empty()) return true;
  const auto parsed = nlohmann::json::parse(data, nullptr, false);
  return parsed.is_discarded() || on_event(name, parsed);
}

asio::awaitable<Outcome<bool>> follow(std::string path, std::optional<std::int64_t>& after, OnEvent on_event, Stop& stop) {
  local::socket socket(co_await asio::this_coro::executor);
  const Stop::Subscription closing(stop, [&socket] {
    boost::system::error_code ignored;
    socket.close(ignored);
  });
  auto connected = co_await connect(socket, path);
  if (!connected) co_return connected.error();
  const std::string target = after ? "/api/events?after=" + std::to_string(*after) : "/api/events";
  std::string request = "GET " + target + " HTTP/1.1\r\nHost: tallywired\r\nAccept: text/event-stream\r\n\r\n";
  auto [unsent, sent] = co_await asio::async_write(socket, asio::buffer(request), asio::as_tuple(asio::use_awaitable));
  if (unsent) co_return no_service(path, unsent);
  std::string buffer;
  auto view = asio::dynamic_buffer(buffer, 16 * 1024 * 1024);
  auto [no_head, head] = co_await asio::async_read_until(socket, view, "\r\n\r\n", asio::as_tuple(asio::use_awaitable));
  if (no_head) co_return no_service(path, no_head);
  view.consume(head);
  for (;;) {
    auto [gone, length] = co_await asio::async_read_until(socket, view, "\n\n", asio::as_tuple(asio::use_awaitable));
    if (stop.requested()) co_return false;
    if (gone) co_return no_service(path, gone);
    const std::string event = buffer.substr(0, length);
    view.consume(length);
    if (!take_event(event, on_event, after)) co_return true;
  }
}

}  // namespace

asio::awaitable<Outcome<ServiceAnswer>> ask_service(std::string socket, std::string method, std::string target,
                                                    nlohmann::json body, std::chrono::milliseconds limit) {
  auto conversation = converse(socket, std::move(method), std::move(target), std::move(body));
  co_return co_await within<ServiceAnswer>(limit, std::move(conversation), "the service's answer", socket);
}

asio::awaitable<Outcome<bool>> follow_events(std::string socket, std::optional<std::int64_t>& after, OnEvent on_event,
                                             std::chrono::milliseconds limit, Stop& stop) {
  auto following = follow(socket, after, std::move(on_event), stop);
  auto done = co_await within<bool>(limit, std::move(following), "following", socket);
  if (!done && (stop.requested() || done.error().kind == FaultKind::timed_out)) co_return false;
  co_return done;
}

}  // namespace tallywire::api
