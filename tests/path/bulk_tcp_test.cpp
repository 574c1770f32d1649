// Over the loopback interface: the two ends of a bulk against each other, and against peers that misbehave.
#include "probes/path/bulk_tcp.hpp"

#include <catch2/catch.hpp>

#include <arpa/inet.h>
#include <netinet/in.h>
#include <sys/socket.h>
#include <unistd.h>

#include <future>
#include <thread>
#include <vector>

using namespace tallywire;
using namespace tallywire::path;
using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

namespace {

struct Pair {
  Pair() {
    const int door = ::socket(AF_INET, SOCK_STREAM, 0);
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    socklen_t length = sizeof address;
    auto* any = reinterpret_cast<sockaddr*>(&address);
    REQUIRE(::bind(door, any, length) == 0);
    REQUIRE(::listen(door, 1) == 0);
    REQUIRE(::getsockname(door, any, &length) == 0);
    one = ::socket(AF_INET, SOCK_STREAM, 0);
    REQUIRE(::connect(one, any, length) == 0);
    other = ::accept(door, nullptr, nullptr);
    REQUIRE(other >= 0);
    ::close(door);
  }
  ~Pair() {
    ::close(one);
    ::close(other);
  }
  int one = -1, other = -1;
};

BulkOrder order(std::chrono::milliseconds duration, double ceiling_bps = 0) {
  BulkOrder out;
  out.duration = duration;
  out.skip = 100ms;
  out.ceiling_bps = ceiling_bps;
  out.where = "loopback";
  return out;
}

Outcome<BulkReceived> receive_octets(const std::vector<std::uint8_t>& octets) {
  Pair pair;
  REQUIRE(::send(pair.other, octets.data(), octets.size(), 0) == static_cast<ssize_t>(octets.size()));
  ::shutdown(pair.other, SHUT_WR);
  const std::atomic<bool> stop{false};
  return receive_bulk(pair.one, order(1s), stop, {});
}

}  // namespace

TEST_CASE("what is sent is received, at its ceiling, and the kernel counts the same") {
  Pair pair;
  const std::atomic<bool> stop{false};
  auto receiving = std::async(std::launch::async, [&] { return receive_bulk(pair.other, order(1s), stop, {}); });
  const auto sent = send_bulk(pair.one, order(1s, 80e6), stop, {});
  const auto received = receiving.get();
  REQUIRE(sent.has_value());
  REQUIRE(received.has_value());
  CHECK(received->ended);
  // The whole, by the kernel: no more than the ceiling allows in a second.
  CHECK(*sent->end.sent_bytes <= 80e6 / 8 * 1.06);
  CHECK(received->octets * 8 / received->seconds <= 80e6 * 1.10);
  CHECK(received->octets > 0);
  CHECK(sent->held_s > 0);
}

TEST_CASE("a stop ends either end soon") {
  Pair pair;
  std::atomic<bool> stop{false};
  auto receiving = std::async(std::launch::async, [&] { return receive_bulk(pair.other, order(20s), stop, {}); });
  auto sending = std::async(std::launch::async, [&] { return send_bulk(pair.one, order(20s), stop, {}); });
  std::this_thread::sleep_for(300ms);
  const auto begun = Clock::now();
  stop = true;
  const auto received = receiving.get();
  REQUIRE(received.has_value());
  CHECK_FALSE(received->ended);
  CHECK(Clock::now() - begun < 2s);  // 200 ms on a machine with time
  ::close(pair.other);
  pair.other = -1;
  static_cast<void>(sending.get());
  CHECK(Clock::now() - begun < 3s);
}

TEST_CASE("a peer that does nothing is timed out after the patience") {
  Pair pair;
  const std::atomic<bool> stop{false};
  auto impatient = order(20s);
  impatient.patience = 200ms;
  const auto received = receive_bulk(pair.one, impatient, stop, {});
  REQUIRE_FALSE(received.has_value());
  CHECK(received.error().kind == FaultKind::timed_out);
  const auto sent = send_bulk(pair.one, impatient, stop, {});
  REQUIRE_FALSE(sent.has_value());
  CHECK(sent.error().kind == FaultKind::timed_out);
}

TEST_CASE("a peer that never ends what it sends is left in the end") {
  Pair pair;
  const std::atomic<bool> never{false};
  std::atomic<bool> stop{false};
  auto sending = std::async(std::launch::async, [&] { return send_bulk(pair.one, order(60s), stop, {}); });
  auto begun = Clock::now();
  auto brief = order(1ms);
  brief.grace = 300ms;
  const auto received = receive_bulk(pair.other, brief, never, {});
  CHECK(Clock::now() - begun < 30s);
  REQUIRE_FALSE(received.has_value());
  CHECK(received.error().kind == FaultKind::timed_out);
  stop = true;
  ::close(pair.other);
  pair.other = -1;
  static_cast<void>(sending.get());
}

TEST_CASE("blocks are taken apart, and what is none is malformed") {
  const auto whole = receive_octets({0, 0, 0, 2, 9, 9, 0, 0, 0, 0});
  REQUIRE(whole.has_value());
  CHECK(whole->ended);
  const auto too_long = receive_octets({0, 4, 0, 1, 9});
  REQUIRE_FALSE(too_long.has_value());
  CHECK(too_long.error().kind == FaultKind::malformed);
  const auto talkative = receive_octets({0, 0, 0, 0, 7});
  REQUIRE_FALSE(talkative.has_value());
  CHECK(talkative.error().kind == FaultKind::malformed);
  const auto cut_off = receive_octets({0, 0, 0, 2, 9});
  REQUIRE_FALSE(cut_off.has_value());
  CHECK(cut_off.error().kind == FaultKind::unreachable);
}
