// ONVIF device service over HTTP, as much as a round asks for.
#include "probes/reading.hpp"
#include "probes/wire/base64.hpp"
#include "probes/wire/onvif.hpp"
#include "tests/site/camera.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/read_until.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/asio/write.hpp>

#include <cstdlib>
#include <ctime>

namespace tallywire::site {

namespace asio = boost::asio;
using asio::ip::tcp;

namespace {

std::string between(const std::string& text, const std::string& tag) {
  auto begin = std::min(text.find("<" + tag + ">"), text.find("<" + tag + " "));
  if (begin == std::string::npos) return {};
  begin = text.find('>', begin);
  const auto end = text.find("</" + tag, begin);
  return begin == std::string::npos || end == std::string::npos ? std::string() : text.substr(begin + 1, end - begin - 1);
}

std::string envelope(const std::string& body) {
  return "<?xml version=\"1.0\" encoding=\"UTF-8\"?><SOAP-ENV:Envelope xmlns:SOAP-ENV=\"http://www.w3.org/2003/05/soap-envelope\" "
         "xmlns:tds=\"http://www.onvif.org/ver10/device/wsdl\" xmlns:tt=\"http://www.onvif.org/ver10/schema\"><SOAP-ENV:Body>" +
         body + "</SOAP-ENV:Body></SOAP-ENV:Envelope>";
}

bool let_in(const Camera& camera, const std::string& request) {
  const auto nonce = wire::decode_base64(between(request, "Nonce"));
  return nonce && between(request, "Username") == camera.user &&
         between(request, "Password") == wire::username_token_digest(wire::Octets(*nonce), between(request, "Created"), camera.password);
}

std::string time_answer(const Camera& camera) {
  const auto now = std::time(nullptr) + static_cast<std::time_t>(camera.clock_offset_s);
  std::tm t{};
  gmtime_r(&now, &t);
  const auto n = [](const char* name, int v) { return "<tt:" + std::string(name) + ">" + std::to_string(v) + "</tt:" + name + ">"; };
  return envelope("<tds:GetSystemDateAndTimeResponse><tds:SystemDateAndTime><tt:DateTimeType>NTP</tt:DateTimeType>"
                  "<tt:UTCDateTime><tt:Time>" + n("Hour", t.tm_hour) + n("Minute", t.tm_min) + n("Second", t.tm_sec) +
                  "</tt:Time><tt:Date>" + n("Year", t.tm_year + 1900) + n("Month", t.tm_mon + 1) + n("Day", t.tm_mday) +
                  "</tt:Date></tt:UTCDateTime></tds:SystemDateAndTime></tds:GetSystemDateAndTimeResponse>");
}

std::string answer(const Camera& camera, const std::string& request) {
  if (request.find("GetSystemDateAndTime") != std::string::npos) return time_answer(camera);
  if (!let_in(camera, request))
    return envelope("<SOAP-ENV:Fault><SOAP-ENV:Code><SOAP-ENV:Value>SOAP-ENV:Sender</SOAP-ENV:Value><SOAP-ENV:Subcode>"
                    "<SOAP-ENV:Value>ter:NotAuthorized</SOAP-ENV:Value></SOAP-ENV:Subcode></SOAP-ENV:Code><SOAP-ENV:Reason>"
                    "<SOAP-ENV:Text>not authorized</SOAP-ENV:Text></SOAP-ENV:Reason></SOAP-ENV:Fault>");
  return envelope("<tds:GetDeviceInformationResponse><tds:Manufacturer>simulated</tds:Manufacturer><tds:Model>demo unit</tds:Model>"
                  "<tds:FirmwareVersion>1.0</tds:FirmwareVersion><tds:SerialNumber>" + camera.serial +
                  "</tds:SerialNumber><tds:HardwareId>1</tds:HardwareId></tds:GetDeviceInformationResponse>");
}

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
  const auto body = answer(camera, buffer.substr(head));
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
