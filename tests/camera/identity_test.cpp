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

using namespace tallywire;
using namespace tallywire::camera;
using namespace std::chrono_literals;
namespace asio = boost::asio;
using asio::ip::tcp;

namespace {

constexpr auto as_values = asio::as_tuple(asio::use_awaitable);

struct Said {
  std::string bytes;
  enum class Then { hang_up, reset, hold, repeat, drip } then = Then::hang_up;
  std::string more = {};  // said for ever, at once or octet by octet
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

Outcome<HttpAnswer> ask(Said said, std::chrono::milliseconds limit = 5s) {
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

FaultKind kind_of(Said said, std::chrono::milliseconds limit = 5s) {
  const auto out = ask(std::move(said), limit);
  REQUIRE_FALSE(out.has_value());
  CHECK(out.error().where.rfind("127.0.0.1:", 0) == 0);
  return out.error().kind;
}

std::string http(const std::string& status, const std::string& body, const std::string& headers = "") {
  return "HTTP/1.1 " + status + "\r\n" + headers + "Content-Length: " + std::to_string(body.size()) + "\r\n\r\n" + body;
}

// SOAP 1.2 part 1 §5; names of the ONVIF device service (devicemgmt.wsdl, onvif.xsd).
std::string envelope(const std::string& body) {
  return "<e:Envelope xmlns:e=\"http://www.w3.org/2003/05/soap-envelope\" "
         "xmlns:t=\"http://www.onvif.org/ver10/schema\" "
         "xmlns:d=\"http://www.onvif.org/ver10/device/wsdl\"><e:Body>" + body + "</e:Body></e:Envelope>";
}

std::string time_body() {
  return envelope("<d:GetSystemDateAndTimeResponse><d:SystemDateAndTime><t:DateTimeType>NTP</t:DateTimeType>"
                  "<t:UTCDateTime><t:Time><t:Hour>3</t:Hour><t:Minute>4</t:Minute><t:Second>5</t:Second></t:Time>"
                  "<t:Date><t:Year>2026</t:Year><t:Month>1</t:Month><t:Day>2</t:Day></t:Date></t:UTCDateTime>"
                  "</d:SystemDateAndTime>"
                  "</d:GetSystemDateAndTimeResponse>");
}

std::string information_body() {
  return envelope("<d:GetDeviceInformationResponse><d:Manufacturer>no maker</d:Manufacturer>"
                  "<d:Model>unit \xe9</d:Model>"
                  "<d:FirmwareVersion>1.2</d:FirmwareVersion><d:SerialNumber>0042</d:SerialNumber>"
                  "</d:GetDeviceInformationResponse>");
}

std::string not_authorized() {  // SOAP 1.2 part 1 §5.4, ONVIF Core: generic faults
  return http("400 Bad Request",
              envelope("<e:Fault><e:Code><e:Value>e:Sender</e:Value><e:Subcode><e:Value>ter:NotAuthorized"
                       "</e:Value></e:Subcode></e:Code><e:Reason><e:Text>no</e:Text></e:Reason></e:Fault>"));
}

bool holds(const std::string& text, const std::string& part) { return text.find(part) != std::string::npos; }
bool has_token(const std::string& request) { return holds(request, "#PasswordDigest"); }
bool has_digest(const std::string& request) { return holds(request, "Authorization: Digest "); }
bool has_login(const std::string& request) { return has_token(request) || has_digest(request); }

struct Told {
  CameraReport report;
  std::vector<std::string> asked;
  std::ptrdiff_t logins() const { return std::count_if(asked.begin(), asked.end(), has_login); }
};

// `about` answers GetDeviceInformation; the clock is told to everybody, as ONVIF Core wants it (pre-authentication).
Told told_by(Say about, Said clock = {http("200 OK", time_body())}, std::chrono::milliseconds limit = 5s) {
  asio::io_context context;
  Unit unit(context, [&](const std::string& request) {
    return holds(request, "<GetSystemDateAndTime ") ? clock : about(request);
  });
  CameraRequest request;
  request.address = "127.0.0.1";
  request.onvif_tcp_port = unit.port();
  request.login = wire::Credentials{"rail", "four rails"};
  request.answer_limit = limit;
  const auto out = ended<CameraReport>(context, ask_camera(std::move(request)), unit);
  REQUIRE(out.has_value());
  for (const auto& asked : unit.asked) CHECK_FALSE(holds(asked, "four rails"));
  return {*out, unit.asked};
}

const std::string challenge = "WWW-Authenticate: Digest realm=\"r\", nonce=\"n\", qop=\"auth\"\r\n";  // RFC 7616 §3.3

}  // namespace

TEST_CASE("Any status is an answer") {
  for (const auto& [status, number] : {std::pair{"200 OK", 200u}, std::pair{"401 Unauthorized", 401u},
                                       std::pair{"404 Not Found", 404u},
                                       std::pair{"500 Internal Server Error", 500u}}) {
    const auto out = ask({http(status, "text", "WWW-Authenticate: Digest realm=\"r\"\r\n")});
    REQUIRE(out.has_value());
    CHECK(out->status == number);
    CHECK(out->body == "text");
    CHECK(out->challenge == "Digest realm=\"r\"");
  }
}

TEST_CASE("Who is silent, or speaks for ever, is timed out") {
  using Then = Said::Then;
  CHECK(kind_of({"", Then::hold}, 300ms) == FaultKind::timed_out);
  CHECK(kind_of({"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\nabc", Then::hold}, 300ms) == FaultKind::timed_out);
  CHECK(kind_of({"HTTP/1.1 200 OK\r\n", Then::drip, "X: y\r\n"}, 300ms) == FaultKind::timed_out);
}

TEST_CASE("Who hangs up is unreachable before its answer, malformed within it") {
  using Then = Said::Then;
  CHECK(kind_of({""}) == FaultKind::unreachable);
  CHECK(kind_of({"", Then::reset}) == FaultKind::unreachable);
  CHECK(kind_of({"HTTP/1.1 200 OK\r\nContent-Le"}) == FaultKind::malformed);
  CHECK(kind_of({"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\nabc"}) == FaultKind::malformed);
}

TEST_CASE("What is no HTTP, or larger than any such answer, is malformed") {
  using Then = Said::Then;
  CHECK(kind_of({"SSH-2.0-x\r\n\r\n"}) == FaultKind::malformed);
  CHECK(kind_of({std::string(1000, '\0')}) == FaultKind::malformed);
  CHECK(kind_of({"", Then::repeat, std::string(4096, 'a')}) == FaultKind::malformed);
  CHECK(kind_of({"HTTP/1.1 200 OK\r\n", Then::repeat, "X: y\r\n"}) == FaultKind::malformed);
  CHECK(kind_of({"HTTP/1.1 200 OK\r\nX: ", Then::repeat, std::string(4096, 'a')}) == FaultKind::malformed);
  CHECK(kind_of({"HTTP/1.1 200 OK\r\nContent-Length: 262145\r\n\r\n", Then::hold}) == FaultKind::malformed);
  CHECK(kind_of({"HTTP/1.1 200 OK\r\n\r\n", Then::repeat, std::string(4096, 'a')}) == FaultKind::malformed);
}

TEST_CASE("A refused connection and a host that is no address") {
  asio::io_context context;
  Unit unit(context, [](const std::string&) { return Said{}; });
  HttpQuestion question;
  question.address = "127.0.0.1";
  question.tcp_port = unit.port();
  unit.stop();
  CHECK(ended<HttpAnswer>(context, ask_http(question), unit).error().kind == FaultKind::refused);
  context.restart();
  question.address = "camera.example";
  CHECK(ended<HttpAnswer>(context, ask_http(question), unit).error().kind == FaultKind::bad_request);
}

TEST_CASE("An IPv6 host stands in brackets (RFC 3986 §3.2.2)") {
  CHECK(place_of("2001:db8::1", 80) == "[2001:db8::1]:80");
  CHECK(place_of("192.0.2.1", 8080) == "192.0.2.1:8080");
}

TEST_CASE("A unit that takes the token tells who it is, and its clock") {
  const auto told = told_by([](const std::string& request) {
    return Said{has_token(request) ? http("200 OK", information_body()) : not_authorized()};
  });
  CHECK(told.report.serial == "0042");
  CHECK(told.report.model == "unit ?");
  CHECK(told.report.firmware == "1.2");
  CHECK(told.report.clock_source == "NTP");
  REQUIRE(told.report.clock_offset_s);
  // GNU date: date -u -d 2026-01-02T03:04:05Z +%s; half a second for the second that was cut off.
  const auto here = std::chrono::duration<double>(told.report.when.time_since_epoch()).count();
  CHECK(*told.report.clock_offset_s == Approx(1767323045.5 - here).margin(told.report.clock_uncertainty_s + 1));
  CHECK(told.report.unread.empty());
  CHECK(told.logins() == 1);
  CHECK(holds(told.asked.back(), ">2026-01-02T03:04:05Z<"));  // the unit's clock, not ours
}

TEST_CASE("A unit that wants HTTP digest gets that alone; an open one gets no login") {
  const auto digest = told_by([](const std::string& request) {
    return Said{has_digest(request) ? http("200 OK", information_body()) : http("401 Unauthorized", "", challenge)};
  });
  CHECK(digest.report.serial == "0042");
  CHECK(digest.logins() == 1);
  CHECK_FALSE(has_token(digest.asked.back()));
  const auto open = told_by([](const std::string&) { return Said{http("200 OK", information_body())}; });
  CHECK(open.report.serial == "0042");
  CHECK(open.logins() == 0);
}

TEST_CASE("A refused password is not tried twice") {
  for (const auto& refusal : {not_authorized(), http("401 Unauthorized", "", challenge), http("401 Unauthorized", ""),
                              http("401 Unauthorized", "", "WWW-Authenticate: Basic realm=\"r\"\r\n"),
                              http("403 Forbidden", "")}) {
    const auto told = told_by([&](const std::string&) { return Said{refusal}; });
    INFO(refusal);
    CHECK(told.logins() == 1);
    CHECK(told.asked.size() == 3);
    CHECK_FALSE(told.report.serial);
    CHECK(told.report.unread.at("serial") == "login refused");
    CHECK(told.report.clock_offset_s);
    for (const auto& asked : told.asked) CHECK_FALSE(holds(asked, "Authorization: Basic"));  // the password in clear
  }
}

TEST_CASE("Where there is no ONVIF, nobody gets the login") {
  for (const char* status : {"404 Not Found", "405 Method Not Allowed", "302 Found", "503 Service Unavailable"}) {
    const auto told = told_by([](const std::string&) { return Said{not_authorized()}; }, {http(status, "<html/>")});
    CHECK(told.asked.size() == 1);
    CHECK(holds(told.report.unread.at("serial"), std::string(status, 3)));
    CHECK(holds(told.report.unread.at("clock_offset_s"), std::string(status, 3)));
  }
}

TEST_CASE("What a unit does not tell is unread with its reason, and the rest is told") {
  const auto no_clock = told_by([](const std::string&) { return Said{http("200 OK", information_body())}; },
                                {http("401 Unauthorized", "", challenge)});
  CHECK(no_clock.report.serial == "0042");
  CHECK(no_clock.report.unread.at("clock_offset_s") == "login refused");
  const auto silent = told_by([](const std::string&) { return Said{"", Said::Then::hold}; },
                              {http("200 OK", time_body())}, 500ms);
  CHECK(silent.report.clock_offset_s);
  CHECK(silent.report.unread.at("serial") == "the unit's answer took longer than 0.5 s");
  const auto garbage = told_by([](const std::string&) { return Said{http("500 Internal Server Error", "oops")}; });
  CHECK(garbage.report.unread.at("serial") == "the unit's answer is no ONVIF");
  int unread = 0;
  for (const auto& reading : to_readings(garbage.report, "camera/a")) unread += !reading.unread.empty();
  CHECK(unread == 3);  // serial, firmware, model
}
