// From the sender to the receiver, over this machine's own loopback.
#include "probes/path/rehearsal_receiver.hpp"
#include "probes/path/rehearsal_sender.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <chrono>
#include <thread>

using namespace tallywire;
using namespace tallywire::path;
using namespace std::chrono_literals;

namespace {

constexpr std::uint32_t first_ssrc = 0xfffffffe;  // so that numbering goes over the top

RehearsalPlan plan_of(std::size_t count) {
  std::vector<MadeUpStream> streams(count);
  for (std::size_t i = 0; i < count; ++i) {
    streams[i].name = std::to_string(i);
    streams[i].gop_frames = 10;
    streams[i].payload_bps = 1e6;
    streams[i].unit = i / 2;
    streams[i].width_px = 640;
    streams[i].height_px = 360;
  }
  return *plan_rehearsal(std::move(streams), RehearsalPhases::random, 3);
}

}  // namespace

TEST_CASE("what is sent is what is received, and the meter reads what the plan says") {
  const auto plan = plan_of(6);
  auto receiver = RehearsalReceiver::open("127.0.0.1", "127.0.0.1", 6, first_ssrc);
  REQUIRE(receiver.has_value());
  const auto socket = RehearsalSocket::to("127.0.0.1", (*receiver)->udp_port());
  REQUIRE(socket.has_value());
  (*receiver)->begin(1);
  const std::atomic<bool> stop{false};
  const auto sent = send_rehearsal(*socket, plan, {1, 1, 1.2}, first_ssrc, stop);
  REQUIRE(sent.has_value());
  std::this_thread::sleep_for(100ms);
  const auto got = (*receiver)->report();
  CHECK(got.own_dropped_packets == 0);
  CHECK(got.foreign_packets == 0);
  for (std::size_t i = 0; i < 6; ++i) {
    const auto& s = sent->streams[i];
    const auto& r = got.streams[i];
    CHECK(s.frames == 30);
    CHECK(s.payload_octets * 8 / 1.2 == Approx(1e6).epsilon(0.001));
    CHECK(r.packets == s.packets);
    CHECK(r.key_packets == s.key_packets);
    CHECK(r.payload_octets == s.payload_octets);
    CHECK(r.wire_octets == s.wire_octets);
    CHECK(r.codec == "H264");
    CHECK(r.frame_rate_hz.value_or(0) == Approx(25).epsilon(0.001));
    CHECK(r.gop_frames == 10.0);
    CHECK(r.payload_bps.value_or(0) == Approx(1e6).epsilon(0.001));
    CHECK_FALSE(r.first_lost_s);
    CHECK(r.latest_ms.has_value());
    const nlohmann::json text = r;
    CHECK(nlohmann::json(text.get<ReceivedStream>()) == text);
  }
  // Another step's packets, and another plan's, are nobody's.
  REQUIRE(send_rehearsal(*socket, plan, {2, 1, 0.1}, first_ssrc, stop).has_value());
  REQUIRE(send_rehearsal(*socket, plan, {1, 1, 0.1}, first_ssrc + 1000, stop).has_value());
  std::this_thread::sleep_for(100ms);
  const auto again = (*receiver)->report();
  CHECK(again.foreign_packets > 0);
  CHECK(again.streams[0].packets == got.streams[0].packets);
}

TEST_CASE("what is no account of a stream is refused") {
  const nlohmann::json right = ReceivedStream{};
  CHECK_NOTHROW(right.get<ReceivedStream>());
  for (const auto& wrong : {nlohmann::json(-1), nlohmann::json(1.5), nlohmann::json("9"), nlohmann::json(nullptr)}) {
    auto changed = right;
    changed["packets"] = wrong;
    CHECK_THROWS_AS(changed.get<ReceivedStream>(), nlohmann::json::exception);
  }
  auto without = right;
  without.erase("wire");
  CHECK_THROWS_AS(without.get<ReceivedStream>(), nlohmann::json::exception);
  auto text = right;
  text["latest_ms"] = "late";
  CHECK_THROWS_AS(text.get<ReceivedStream>(), nlohmann::json::exception);
}

TEST_CASE("a stop ends the sending at once, and tells how far it came") {
  const auto plan = plan_of(2);
  auto receiver = RehearsalReceiver::open("127.0.0.1", "127.0.0.1", 2, first_ssrc);
  const auto socket = RehearsalSocket::to("127.0.0.1", (*receiver)->udp_port());
  std::atomic<bool> stop{false};
  const auto begun = std::chrono::steady_clock::now();
  std::jthread stopper([&stop] {
    std::this_thread::sleep_for(200ms);
    stop = true;
  });
  const auto sent = send_rehearsal(*socket, plan, {1, 1, 30}, first_ssrc, stop);
  REQUIRE(sent.has_value());
  CHECK(std::chrono::steady_clock::now() - begun < 2s);  // holds on a loaded machine; 50 ms on an idle one
  CHECK(sent->sent_s < 2);
  CHECK(sent->sent_s > 0.15);
}

TEST_CASE("a port where nobody listens any more is told") {
  const auto plan = plan_of(2);
  std::uint16_t port = 0;
  {
    auto receiver = RehearsalReceiver::open("127.0.0.1", "127.0.0.1", 2, first_ssrc);
    port = (*receiver)->udp_port();
  }
  const auto socket = RehearsalSocket::to("127.0.0.1", port);
  const std::atomic<bool> stop{false};
  const auto sent = send_rehearsal(*socket, plan, {1, 1, 1}, first_ssrc, stop);
  REQUIRE_FALSE(sent.has_value());
  CHECK(sent.error().kind == FaultKind::unreachable);
  CHECK_FALSE(RehearsalSocket::to("depot.example", 9).has_value());
}
