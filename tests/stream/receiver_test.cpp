// The receiver against a unit that follows a script. What it measures is held against servers nobody here wrote in
// tests/peers; here it is what it does when things go wrong.
#include "probes/stream/receiver.hpp"

#include "probes/stream/beat.hpp"
#include "probes/stream/report_interval.hpp"
#include "tests/stream/scripted_unit.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/steady_timer.hpp>

#include <catch2/catch.hpp>

#include <array>
#include <optional>

#include <sys/socket.h>
#include <unistd.h>

using namespace tallywire;
using namespace tallywire::stream;
using namespace std::chrono_literals;
using test::ScriptedUnit;
using test::UnitScript;
namespace asio = boost::asio;

namespace {

StreamRequest request_of(const ScriptedUnit& unit, std::chrono::milliseconds duration) {
  StreamRequest out;
  out.url = unit.url();
  out.transport = TransportChoice::tcp;
  out.duration = duration;
  out.answer_limit = 600ms;
  return out;
}

ReceiveResult received(StreamRequest request, std::chrono::milliseconds stop_after = 60s) {
  asio::io_context context;
  Stop stop;
  std::optional<ReceiveResult> out;
  asio::steady_timer timer(context, stop_after);
  timer.async_wait([&](const boost::system::error_code& code) {
    if (!code) stop.request();
  });
  asio::co_spawn(context, receive_stream(std::move(request), {}, stop), [&](std::exception_ptr failure, ReceiveResult result) {
    if (failure) std::rethrow_exception(failure);
    out = std::move(result);
    timer.cancel();
  });
  context.run();
  REQUIRE(out.has_value());
  return std::move(*out);
}

bool told(const StreamReport& report, const std::string& words) {
  for (const auto& finding : report.findings)
    if (finding.find(words) != std::string::npos) return true;
  return false;
}

}  // namespace

TEST_CASE("a session is ended with TEARDOWN: after its time, on a stop, and when PLAY was refused") {
  SECTION("after its time") {
    ScriptedUnit unit({});
    const auto result = received(request_of(unit, 300ms));
    CHECK_FALSE(result.fault.has_value());
    CHECK(result.report.lost_packets == 0);
    CHECK(unit.count("1 TEARDOWN") == 1);
  }
  SECTION("on a stop") {
    ScriptedUnit unit({});
    const auto result = received(request_of(unit, 30s), 400ms);
    CHECK(result.report.packets.value_or(0) > 0);
    CHECK(unit.count("1 TEARDOWN") == 1);
  }
  SECTION("when PLAY was refused") {
    UnitScript script;
    script.refuse_method = "PLAY";
    ScriptedUnit unit(script);
    const auto result = received(request_of(unit, 300ms));
    REQUIRE(result.fault.has_value());
    CHECK(result.fault->kind == FaultKind::refused);
    CHECK(unit.count("1 TEARDOWN") == 1);
  }
}

TEST_CASE("a session that breaks in the middle is resumed once, and the gap is no loss") {
  UnitScript script;
  SECTION("the unit closes the connection") {}
  SECTION("the unit falls silent") { script.silent_instead = true; }
  script.packets_before_break = {40};
  ScriptedUnit unit(script);
  const auto result = received(request_of(unit, 2500ms));
  REQUIRE_FALSE(result.fault.has_value());
  CHECK(result.report.lost_packets == 0);
  REQUIRE(result.report.gaps.size() == 1);
  CHECK(result.report.gaps[0].begin_s > 0);
  CHECK(told(result.report, "was resumed"));
  CHECK(result.report.packets.value_or(0) > 100);
  CHECK(unit.count("2 TEARDOWN") == 1);
}

TEST_CASE("a second break ends the measurement with what was read") {
  UnitScript script;
  script.packets_before_break = {40, 40};
  ScriptedUnit unit(script);
  const auto begun = std::chrono::steady_clock::now();
  const auto result = received(request_of(unit, 20s));
  CHECK(std::chrono::steady_clock::now() - begun < 10s);
  REQUIRE_FALSE(result.fault.has_value());
  CHECK(result.report.packets == 80);
  CHECK(told(result.report, "a second time"));
  CHECK(unit.count("3 OPTIONS") == 0);
}

TEST_CASE("a unit that starts again is asked until it is back") {
  UnitScript script;
  script.packets_before_break = {40};
  script.away_ms = 1500;
  ScriptedUnit unit(script);
  const auto result = received(request_of(unit, 5s));
  REQUIRE_FALSE(result.fault.has_value());
  REQUIRE(result.report.gaps.size() == 1);
  CHECK(result.report.gaps[0].duration_s > 1.4);
  CHECK(result.report.lost_packets == 0);
  CHECK_FALSE(result.report.session->broke_off.has_value());
}

TEST_CASE("a session that cannot be resumed leaves what was read") {
  UnitScript script;
  script.packets_before_break = {40};
  script.most_connections = 1;
  ScriptedUnit unit(script);
  const auto result = received(request_of(unit, 5s));
  REQUIRE_FALSE(result.fault.has_value());
  CHECK(result.report.packets == 40);
  CHECK(told(result.report, "could not be resumed"));
  REQUIRE(result.report.session.has_value());
  CHECK(result.report.session->rtsp_version == "1.0");
  CHECK(result.report.destination.rfind("127.0.0.1:", 0) == 0);
  CHECK(result.report.session->broke_off.has_value());
  auto report = result.report;
  report.unread.clear();
  CHECK_FALSE(is_whole(report));
  report.session->broke_off.reset();
  CHECK(is_whole(report));
}

TEST_CASE("a unit that hangs up at any step is unread with the reason, within the limits") {
  for (const char* step : {"OPTIONS", "DESCRIBE", "SETUP", "PLAY"}) {
    UnitScript script;
    script.hang_up_at = step;
    ScriptedUnit unit(script);
    const auto result = received(request_of(unit, 1s));
    INFO(step);
    REQUIRE(result.fault.has_value());
    CHECK(result.fault->kind == FaultKind::unreachable);
    CHECK(result.report.unread.count("payload_bps") == 1);
  }
}

TEST_CASE("a session is kept alive within its timeout by the method that was announced") {
  UnitScript script;
  script.timeout_s = 2;
  ScriptedUnit unit(script);
  received(request_of(unit, 3500ms));
  CHECK(unit.count("1 GET_PARAMETER") >= 2);
  CHECK(unit.count("1 RTCP") >= 1);  // the first is due within 3.08 s (RFC 3550 A.7)
}

TEST_CASE("reports are due at the intervals of RFC 3550 A.7") {
  // 0.5 to 1.5 times 5 s / 1.21828; half of it before the first report (check-values section 2, computed).
  CHECK(report_interval(false, 0).count() == Approx(2.0521).epsilon(1e-4));
  CHECK(report_interval(false, 1).count() == Approx(6.1562).epsilon(1e-4));
  CHECK(report_interval(true, 0).count() == Approx(1.0260).epsilon(1e-4));
  CHECK(report_interval(true, 1).count() == Approx(3.0781).epsilon(1e-4));
}

TEST_CASE("the beat strikes only while somebody listens, and a listener may leave in the middle of it") {
  asio::io_context context;
  const asio::any_io_executor executor = context.get_executor();
  Beat::of(executor);
  CHECK(context.poll() == 0);
  int struck = 0, after = 0;
  std::optional<Beat::Subscription> first, second;
  first.emplace(executor, [&](const Beat::Strike& strike) {
    CHECK(strike.tick);
    CHECK(strike.readable == 0);
    if (++struck == 3) {
      second.reset();
      first.reset();
    }
  });
  second.emplace(executor, [&](const Beat::Strike&) { ++after; });
  context.restart();
  context.run_for(5s);
  CHECK(struck == 3);
  CHECK(after >= 2);
  CHECK(context.stopped());  // nothing waits any more
}

TEST_CASE("a beat tells whose socket holds something, until it was taken") {
  asio::io_context context;
  const asio::any_io_executor executor = context.get_executor();
  std::array<int, 2> pair{};
  REQUIRE(socketpair(AF_UNIX, SOCK_STREAM, 0, pair.data()) == 0);
  REQUIRE(write(pair[1], "abc", 3) == 3);
  int readable = 0;
  {
    std::optional<Beat::Subscription> watching, other;
    other.emplace(executor, [&](const Beat::Strike& strike) { CHECK(strike.readable == 0); });
    watching.emplace(executor, [&](const Beat::Strike& strike) {
      if (strike.readable == 0) return;
      CHECK(strike.readable == 1u << 5);
      char octet = 0;
      CHECK(read(pair[0], &octet, 1) == 1);
      ++readable;
    });
    REQUIRE(watching->watch(pair[0], 5));
    context.run_for(300ms);
  }
  CHECK(readable == 3);
  close(pair[0]);
  close(pair[1]);
}
