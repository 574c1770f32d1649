// ONVIF over HTTP, as much as a round asks for. Ours: for the demo and for faults, no proof of interoperation.
#include "tests/site/camera.hpp"
#include "tests/site/onvif_answers.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/read_until.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/asio/write.hpp>

#include <cstdlib>

namespace tallywire::site {

namespace asio = boost::asio;
using asio::ip::tcp;

namespace {

asio::awaitable<void> session(const Camera& camera, tcp::socket socket) {
  std::string buffer;
  auto view = asio::dynamic_buffer(buffer, 65536);
  auto [no_head, head] = co_await asio::async_read_until(socket, view, "\r\n\r\n", asio::as_tuple(asio::use_awaitable));
  if (no_head) co_return;
  std::string lower = buffer.substr(0, head);
  for (auto& c : lower) c = static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
  const auto at = lower.find("content-length:");
  const std::size_t length = at == std::string::npos ? 0 : std::strtoul(lower.c_str() + at + 15, nullptr, 10);
  if (length > 60000) co_return;
  while (buffer.size() < head + length) {
    char chunk[4096];
    auto [code, count] = co_await socket.async_read_some(asio::buffer(chunk), asio::as_tuple(asio::use_awaitable));
    if (code) co_return;
    buffer.append(chunk, count);
  }
  const auto body = answer_onvif(camera, buffer.substr(head));
  const std::string reply = "HTTP/1.1 200 OK\r\nContent-Type: application/soap+xml\r\nConnection: close\r\nContent-Length: " +
                            std::to_string(body.size()) + "\r\n\r\n" + body;
  co_await asio::async_write(socket, asio::buffer(reply), asio::as_tuple(asio::use_awaitable));
}

}  // namespace

asio::awaitable<void> serve_onvif(const Camera& camera) {
  auto executor = co_await asio::this_coro::executor;
  tcp::endpoint endpoint(asio::ip::make_address(camera.address), static_cast<unsigned short>(camera.onvif_port));
  tcp::acceptor acceptor(executor, endpoint);
  for (;;) {
    auto socket = co_await acceptor.async_accept(asio::use_awaitable);
    asio::co_spawn(executor, session(camera, std::move(socket)), [](std::exception_ptr) {});
  }
}

}  // namespace tallywire::site
