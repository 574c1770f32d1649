#include "tests/camera/unit.hpp"

using namespace tallywire;
using namespace tallywire::camera;
using namespace tallywire::camera::testing;

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
