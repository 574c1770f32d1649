// A unit on 127.0.0.1 that says what a test wants, and keeps what it was asked. Ours: it proves no interoperation.
#pragma once

#include "probes/camera/http_question.hpp"
#include "probes/camera/identity.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/read.hpp>
#include <boost/asio/read_until.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/asio/write.hpp>
#include <catch2/catch.hpp>

#include <algorithm>
#include <cstdlib>
#include <functional>
#include <list>
#include <optional>

namespace tallywire::camera::testing {

using namespace std::chrono_literals;
namespace asio = boost::asio;
using asio::ip::tcp;


constexpr auto as_values = asio::as_tuple(asio::use_awaitable);

struct Said {
  std::string bytes;
  enum class Then { hang_up, reset, hold, repeat, drip } then = Then::hang_up;
  std::string more = {};  // said for ever, at once or octet by octet
  std::chrono::milliseconds after{0};
};

using Say = std::function<Said(const std::string& request)>;

// A unit on 127.0.0.1 that says what the test wants, and keeps what it was asked.
class Unit {
 public:
  Unit(asio::io_context& context, Say say)
      : acceptor_(context, {asio::ip::address_v4::loopback(), 0}), say_(std::move(say)) {
    asio::co_spawn(context, accept(), [](std::exception_ptr) {});
  }
  std::uint16_t port() const { return acceptor_.local_endpoint().port(); }
  void stop() {
    boost::system::error_code ignored;
    acceptor_.close(ignored);
    for (auto& socket : sockets_) socket.close(ignored);
    stopped_ = true;
  }
  std::vector<std::string> asked;

 private:
  asio::awaitable<void> accept() {
    for (;;) {
      auto [code, socket] = co_await acceptor_.async_accept(as_values);
      if (code) co_return;
      sockets_.push_back(std::move(socket));
      asio::co_spawn(acceptor_.get_executor(), serve(sockets_.back()), [](std::exception_ptr) {});
    }
  }
  asio::awaitable<void> serve(tcp::socket& socket) {
    std::string request;
    auto view = asio::dynamic_buffer(request, 65536);
    auto [no_head, head] = co_await asio::async_read_until(socket, view, "\r\n\r\n", as_values);
    if (no_head) co_return;
    const auto at = request.find("Content-Length: ");
    const std::size_t length = at == std::string::npos ? 0 : std::strtoul(request.c_str() + at + 16, nullptr, 10);
    if (request.size() < head + length) {
      std::string rest(head + length - request.size(), ' ');
      auto [no_body, count] = co_await asio::async_read(socket, asio::buffer(rest), as_values);
      if (no_body) co_return;
      request += rest;
    }
    asked.push_back(request);
    const Said said = say_(request);
    asio::steady_timer thinking(acceptor_.get_executor(), said.after);
    if (said.after.count() > 0) co_await thinking.async_wait(as_values);
    boost::system::error_code code;
    co_await write(socket, said.bytes, code);
    while (!code && said.then == Said::Then::repeat) co_await write(socket, said.more, code);
    for (std::size_t i = 0; !code && !stopped_ && said.then == Said::Then::drip; ++i) {
      co_await write(socket, said.more.substr(i % said.more.size(), 1), code);
      asio::steady_timer timer(acceptor_.get_executor(), 20ms);
      co_await timer.async_wait(as_values);
    }
    if (said.then == Said::Then::reset) socket.set_option(asio::socket_base::linger(true, 0), code);
    if (said.then != Said::Then::hold) socket.close(code);
  }
  static asio::awaitable<void> write(tcp::socket& socket, const std::string& bytes, boost::system::error_code& code) {
    auto [failed, count] = co_await asio::async_write(socket, asio::buffer(bytes), as_values);
    code = failed;
  }
  tcp::acceptor acceptor_;
  Say say_;
  std::list<tcp::socket> sockets_;  // a list: sessions hold references
  bool stopped_ = false;
};

template <class T>
asio::awaitable<void> keep(asio::awaitable<Outcome<T>> work, std::optional<Outcome<T>>& out, Unit& unit) {
  out.emplace(co_await std::move(work));
  unit.stop();
}

// Far above every limit of these tests, sanitizers included: a probe that forgets its limit fails here.
constexpr auto longest = 10s;

template <class T>
Outcome<T> ended(asio::io_context& context, asio::awaitable<Outcome<T>> work, Unit& unit) {
  std::optional<Outcome<T>> out;
  std::exception_ptr failure;
  asio::co_spawn(context, keep<T>(std::move(work), out, unit), [&failure](std::exception_ptr e) { failure = e; });
  context.run_for(longest);
  if (failure) std::rethrow_exception(failure);
  REQUIRE(out.has_value());
  CHECK(context.stopped());  // nothing of the conversation is left
  return *out;
}

inline Outcome<HttpAnswer> ask(Said said, std::chrono::milliseconds limit = 5s) {
  asio::io_context context;
  Unit unit(context, [&said](const std::string&) { return said; });
  HttpQuestion question;
  question.address = "127.0.0.1";
  question.tcp_port = unit.port();
  question.path = "/onvif/device_service";
  question.limit = limit;
  auto out = ended<HttpAnswer>(context, ask_http(std::move(question)), unit);
  CHECK(unit.asked.size() == 1);
  return out;
}

inline FaultKind kind_of(Said said, std::chrono::milliseconds limit = 5s) {
  const auto out = ask(std::move(said), limit);
  REQUIRE_FALSE(out.has_value());
  CHECK(out.error().where.rfind("127.0.0.1:", 0) == 0);
  return out.error().kind;
}

inline std::string http(const std::string& status, const std::string& body, const std::string& headers = "") {
  return "HTTP/1.1 " + status + "\r\n" + headers + "Content-Length: " + std::to_string(body.size()) + "\r\n\r\n" + body;
}

// SOAP 1.2 part 1 §5; names of the ONVIF device service (devicemgmt.wsdl, onvif.xsd).
inline std::string envelope(const std::string& body) {
  return "<e:Envelope xmlns:e=\"http://www.w3.org/2003/05/soap-envelope\" "
         "xmlns:t=\"http://www.onvif.org/ver10/schema\" "
         "xmlns:d=\"http://www.onvif.org/ver10/device/wsdl\"><e:Body>" + body + "</e:Body></e:Envelope>";
}

inline std::string time_body() {
  return envelope("<d:GetSystemDateAndTimeResponse><d:SystemDateAndTime><t:DateTimeType>NTP</t:DateTimeType>"
                  "<t:UTCDateTime><t:Time><t:Hour>3</t:Hour><t:Minute>4</t:Minute><t:Second>5</t:Second></t:Time>"
                  "<t:Date><t:Year>2026</t:Year><t:Month>1</t:Month><t:Day>2</t:Day></t:Date></t:UTCDateTime>"
                  "</d:SystemDateAndTime>"
                  "</d:GetSystemDateAndTimeResponse>");
}

inline std::string information_body() {
  return envelope("<d:GetDeviceInformationResponse><d:Manufacturer>no maker</d:Manufacturer>"
                  "<d:Model>unit \xe9</d:Model>"
                  "<d:FirmwareVersion>1.2</d:FirmwareVersion><d:SerialNumber>0042</d:SerialNumber>"
                  "</d:GetDeviceInformationResponse>");
}

inline std::string not_authorized() {  // SOAP 1.2 part 1 §5.4, ONVIF Core: generic faults
  return http("400 Bad Request",
              envelope("<e:Fault><e:Code><e:Value>e:Sender</e:Value><e:Subcode><e:Value>ter:NotAuthorized"
                       "</e:Value></e:Subcode></e:Code><e:Reason><e:Text>no</e:Text></e:Reason></e:Fault>"));
}

inline bool holds(const std::string& text, const std::string& part) { return text.find(part) != std::string::npos; }
inline bool has_token(const std::string& request) { return holds(request, "#PasswordDigest"); }
inline bool has_digest(const std::string& request) { return holds(request, "Authorization: Digest "); }
inline bool has_login(const std::string& request) { return has_token(request) || has_digest(request); }

struct Told {
  CameraReport report;
  std::vector<std::string> asked;
  std::ptrdiff_t logins() const { return std::count_if(asked.begin(), asked.end(), has_login); }
};

// `about` answers GetDeviceInformation; the clock is told to everybody, as ONVIF Core wants it (pre-authentication).
inline Told told_by(Say about, Said clock = {http("200 OK", time_body())}, std::chrono::milliseconds limit = 5s,
                    std::chrono::milliseconds total = 20s) {
  asio::io_context context;
  Unit unit(context, [&](const std::string& request) {
    return holds(request, "<GetSystemDateAndTime ") ? clock : about(request);
  });
  CameraRequest request;
  request.address = "127.0.0.1";
  request.onvif_tcp_port = unit.port();
  request.login = wire::Credentials{"rail", "four rails"};
  request.answer_limit = limit;
  request.total_limit = total;
  Stop stop;
  const auto out = ended<CameraReport>(context, ask_camera(std::move(request), stop), unit);
  REQUIRE(out.has_value());
  for (const auto& asked : unit.asked) CHECK_FALSE(holds(asked, "four rails"));
  return {*out, unit.asked};
}

inline const std::string challenge = "WWW-Authenticate: Digest realm=\"r\", nonce=\"n\", qop=\"auth\"\r\n";  // RFC 7616 §3.3

// A unit with four heads, by ONVIF's media service 2 (names of ver20/media/wsdl/media.wsdl, ver10/media/wsdl/media.wsdl and
// onvif.xsd): profiles stand in an odd order, and its addresses name the host `told_host`, or
// the one it was asked at.
struct FourHeads {
  std::string told_host = {};
  bool media2 = true, media1 = true;
  std::string services_instead = {};  // an HTTP answer in place of GetServices

  std::string profile(int head, const std::string& kind, const std::string& codec, int width, int height, double fps,
                      int kbps) const {
    const auto id = std::to_string(head) + kind;
    char rate[120];
    std::snprintf(rate, sizeof rate, "<t:FrameRateLimit>%g</t:FrameRateLimit><t:BitrateLimit>%d</t:BitrateLimit>", fps, kbps);
    return "<m:Profiles token=\"p" + id + "\"><m:Name>" + id + "</m:Name><m:Configurations><m:VideoSource token=\"v\">"
           "<t:SourceToken>lens" + std::to_string(head) + "</t:SourceToken></m:VideoSource><m:VideoEncoder token=\"e" + id +
           "\" GovLength=\"50\" Profile=\"Main\"><t:Encoding>" + codec + "</t:Encoding><t:Resolution><t:Width>" +
           std::to_string(width) + "</t:Width><t:Height>" + std::to_string(height) + "</t:Height></t:Resolution><t:RateControl>" +
           rate + "</t:RateControl></m:VideoEncoder></m:Configurations></m:Profiles>";
  }
  std::string profiles() const {
    std::string out;
    for (const int head : {3, 1, 4, 2}) {
      out += profile(head, "view", "H264", 640, 360, 10, 500);
      out += profile(head, "main", "H265", 1920, 1080, 25, 4000);
    }
    return out;
  }
  static std::string answered(const std::string& operation, const std::string& inner, const std::string& service) {
    return http("200 OK", "<e:Envelope xmlns:e=\"http://www.w3.org/2003/05/soap-envelope\" xmlns:m=\"" + service +
                              "\" xmlns:t=\"http://www.onvif.org/ver10/schema\"><e:Body><m:" + operation + "Response>" +
                              inner + "</m:" + operation + "Response></e:Body></e:Envelope>");
  }
  std::string answer(const std::string& request) const {
    const auto begin = request.find("Host: ") + 6;
    const auto asked_at = request.substr(begin, request.find("\r\n", begin) - begin);
    const auto place = told_host.empty() ? asked_at : told_host, host = place.substr(0, place.find(':'));
    const std::string device = wire::device_service, two = wire::media2_service, one = wire::media1_service;
    const auto asks = [&](const char* operation, const std::string& service) {
      return holds(request, "<" + std::string(operation) + " xmlns=\"" + service + "\"");
    };
    const auto service = [&](const std::string& name, const char* path) {
      return "<m:Service><m:Namespace>" + name + "</m:Namespace><m:XAddr>http://" + place + path + "</m:XAddr></m:Service>";
    };
    if (asks("GetServices", device))
      return services_instead.empty() ? answered("GetServices", (media1 ? service(one, "/one") : "") +
                                                 (media2 ? service(two, "/two") : ""), device) : services_instead;
    if (asks("GetProfiles", two)) return answered("GetProfiles", profiles(), two);
    if (asks("GetVideoSources", one))
      return answered("GetVideoSources", "<m:VideoSources token=\"lens1\"/><m:VideoSources token=\"lens2\"/>"
                      "<m:VideoSources token=\"lens3\"/><m:VideoSources token=\"lens4\"/>", one);
    const auto at = request.find("<ProfileToken>") + 14;
    const auto token = request.substr(at, request.find("</ProfileToken>") - at);
    if (asks("GetStreamUri", two))
      return answered("GetStreamUri", "<m:Uri>rtsp://" + host + ":5554/" + token + "</m:Uri>", two);
    if (asks("GetSnapshotUri", two))
      return answered("GetSnapshotUri", "<m:Uri>http://" + host + "/snap/" + token + "</m:Uri>", two);
    return http("200 OK", information_body());
  }
};

}  // namespace tallywire::camera::testing
