// A tap that is held for long, in simulated time: strangers' short streams come and go, and neither memory nor counts of
// those that stay may suffer.
#include "probes/tap/tap_report.hpp"
#include "tests/tap/frames.hpp"

#include <catch2/catch.hpp>

#include <algorithm>
#include <array>
#include <chrono>

namespace {

using namespace std::chrono_literals;
using namespace tallywire;
using namespace tallywire::tap;
using test::Bytes, test::tcp_frame;

constexpr std::uint32_t viewer = 0xc0000202, strangers_net = 0xc6336400;  // 192.0.2.2; 198.51.100.0

Bytes rtp(std::uint16_t sequence, std::uint32_t time, std::uint32_t ssrc) {
  auto out = test::from_hex("8060");
  wire::put_u16(out, sequence);
  wire::put_u32(out, time);
  wire::put_u32(out, ssrc);
  out.resize(200, 0x11);
  return out;
}

// Not inlined: g++ 12 then warns of an overflow in the vector that is not there.
[[gnu::noinline]] Bytes datagram(const Bytes& payload, const test::End& from = test::camera) { return test::udp_frame(payload, from); }

// RFC 2326 §10.12.
Bytes interleaved(const Bytes& packet) {
  Bytes out(4 + packet.size());
  out[0] = '$';
  out[2] = static_cast<std::uint8_t>(packet.size() >> 8);
  out[3] = static_cast<std::uint8_t>(packet.size());
  std::copy(packet.begin(), packet.end(), out.begin() + 4);
  return out;
}

// A server's side of an interleaved connection.
class Connection {
 public:
  Bytes say(const Bytes& octets) {
    auto out = tcp_frame({0xc0000209, 554}, {viewer, 40000}, next_, 1, octets);
    next_ += static_cast<std::uint32_t>(octets.size());
    return out;
  }

 private:
  std::uint32_t next_ = 1000;
};

class Held {
 public:
  explicit Held(TapSettings settings = {}) : tap(settings, std::make_shared<Announcements>()) {}
  void add(const Bytes& frame) {
    const CapturedFrame captured{frame, static_cast<std::uint32_t>(frame.size()), wire::LinkLayer::ethernet, now};
    tap.add({&captured, 1});
  }
  TapReport take() {
    tap.settle();
    const std::array<const Tap*, 1> one{&tap};
    auto out = report_of(one, {});
    tap.begin_anew();
    return out;
  }
  // Four packets that are a stream beyond doubt (RFC 3550 A.1), as of someone who came and went.
  void stranger(std::uint32_t number) {
    const test::End from{strangers_net + 1 + number % 200, static_cast<std::uint16_t>(10000 + number % 5000 * 2)};
    for (std::uint16_t i = 0; i < 4; ++i) add(datagram(rtp(i, i * 3600u, 0x70000000 + number), from));
  }

  Tap tap;
  SystemTime now = from_rfc3339("2026-11-25T12:00:00.000Z");
};

}  // namespace

TEST_CASE("strangers' short streams never fill a tap that is held on and on, and those that stay are counted to the packet") {
  TapSettings settings;
  settings.most_streams = 4096;
  Held held(settings);
  std::uint32_t strangers = 0, lasting = 0;
  Connection connection;
  std::size_t most = 0;
  const int minutes = 150, each_minute = 100;
  for (int minute = 0; minute < minutes; ++minute) {
    for (int i = 0; i < each_minute; ++i) {
      held.now += 600ms;
      held.stranger(strangers++);
      held.add(datagram(rtp(static_cast<std::uint16_t>(lasting), lasting * 54000, 7)));
      held.add(connection.say(interleaved(rtp(static_cast<std::uint16_t>(lasting), lasting * 54000, 8))));
      ++lasting;
    }
    const auto report = held.take();
    CHECK(report.capture.totals.streams_refused == 0);
    most = std::max(most, held.tap.streams());
    REQUIRE(report.streams.size() == each_minute + 2);
    int seen = 0;
    for (const auto& stream : report.streams) {
      if (stream.report.ssrc != 7u && stream.report.ssrc != 8u) continue;
      ++seen;
      CHECK(stream.report.packets == each_minute);
      CHECK(stream.report.lost_packets == 0);
      CHECK(stream.report.transport == (stream.report.ssrc == 7u ? "udp" : "tcp"));
    }
    CHECK(seen == 2);
  }
  // Ten minutes of silence, and the two of which one is under way.
  CHECK(most <= 12 * each_minute + 2);
  CHECK(held.tap.streams_heard() == 0);
}

TEST_CASE("what was silent for a while and comes again is the same stream; after long silence it begins anew") {
  Held held;
  for (std::uint16_t i = 0; i < 10; ++i) held.add(datagram(rtp(i, i * 3600u, 7)));
  held.take();
  for (int minute = 0; minute < 8; ++minute) {
    held.now += 60s;
    held.stranger(static_cast<std::uint32_t>(minute));
    held.take();
  }
  // Known: one packet is enough.
  held.add(datagram(rtp(100, 360000, 7)));
  auto report = held.take();
  REQUIRE(report.streams.size() == 1);
  CHECK(report.streams[0].report.packets == 1);
  for (int minute = 0; minute < 12; ++minute) {
    held.now += 60s;
    held.stranger(static_cast<std::uint32_t>(100 + minute));
    held.take();
  }
  // Forgotten: it must prove itself again.
  held.add(datagram(rtp(200, 720000, 7)));
  CHECK(held.take().streams.empty());
  held.add(datagram(rtp(201, 723600, 7)));
  held.add(datagram(rtp(202, 727200, 7)));
  report = held.take();
  REQUIRE(report.streams.size() == 1);
  CHECK(report.streams[0].report.packets == 3);
}

TEST_CASE("silence while the tap itself hears nothing at all makes it forget nothing") {
  Held held;
  for (std::uint16_t i = 0; i < 10; ++i) held.add(datagram(rtp(i, i * 3600u, 7)));
  for (int i = 0; i < 100; ++i) held.take();  // an interface that is down
  CHECK(held.tap.streams() == 1);
}

TEST_CASE("packets that never became a stream do not use up the room of those that will") {
  TapSettings settings;
  settings.most_held_octets = 20'000;
  Held held(settings);
  for (std::uint32_t i = 0; i < 1000; ++i) {
    held.now += 6s;
    held.add(datagram(rtp(0, 0, 0x60000000 + i), {strangers_net + 1, static_cast<std::uint16_t>(10000 + i)}));
    if (i % 10 == 9) held.take();
  }
  held.now += 11min;
  held.add(datagram(rtp(0, 0, 1), {strangers_net + 2, 9}));
  held.take();
  // All four, also those that came before it was believed.
  held.stranger(1);
  const auto report = held.take();
  REQUIRE(report.streams.size() == 1);
  CHECK(report.streams[0].report.packets == 4);
}

TEST_CASE("what a connection lacked is told in the interval in which it was missing, and not again") {
  Held held;
  Connection connection;
  std::uint32_t number = 0;
  const auto send = [&](bool captured) {
    held.now += 40ms;
    const auto frame = connection.say(interleaved(rtp(static_cast<std::uint16_t>(number), number * 3600, 8)));
    if (captured) held.add(frame);
    ++number;
  };
  for (int i = 0; i < 50; ++i) send(i != 20);
  held.now += 30s;  // no retransmission will come
  for (int i = 0; i < 50; ++i) send(true);
  CHECK(held.take().capture.totals.tcp.holes == 1);
  for (int i = 0; i < 50; ++i) send(true);
  const auto report = held.take();
  CHECK(report.capture.totals.tcp.holes == 0);
  CHECK(report.capture.totals.tcp.missing_octets == 0);
  CHECK(report.capture.totals.rtsp_connections == 1);
  REQUIRE(report.streams.size() == 1);
  CHECK(report.streams[0].report.packets == 50);
}
