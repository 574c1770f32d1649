#include "probes/path/train_counter.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::path;

namespace {

UdpPacket packet(std::uint16_t trial, std::uint32_t sequence, std::uint32_t packets, std::uint64_t sent_ns) {
  UdpPacket out;
  out.kind = UdpKind::train;
  out.trial = trial;
  out.sequence = sequence;
  out.packets = packets;
  out.sent_ns = sent_ns;
  return out;
}

}  // namespace

TEST_CASE("each packet counts once, in whatever order, and what does not come is lost") {
  // RFC 2544 §26.3: 1000 in, 990 out, 1 % lost.
  TrainCounter counter;
  for (std::uint32_t i = 0; i < 1000; ++i) {
    const std::uint32_t sequence = i ^ 1;  // neighbours change places
    if (sequence % 100 == 7) continue;
    counter.add(packet(3, sequence, 1000, sequence * 1000), 5'000'000 + i * 1000);
    if (sequence % 10 == 0) counter.add(packet(3, sequence, 1000, sequence * 1000), 5'000'000 + i * 1000);
  }
  const auto count = counter.count();
  CHECK(count.trial == 3);
  CHECK(count.packets == 1000);
  CHECK(count.received == 990);
  CHECK(count.duplicates == 100);
}

TEST_CASE("a new trial begins a new count") {
  TrainCounter counter;
  for (std::uint32_t i = 0; i < 10; ++i) counter.add(packet(1, i, 10, 0), 0);
  counter.add(packet(2, 4, 20, 0), 0);
  CHECK(counter.count().trial == 2);
  CHECK(counter.count().received == 1);
  CHECK(counter.count().packets == 20);
  counter.add(packet(2, 30, 40, 0), 0);  // the same trial of another length
  CHECK(counter.count().received == 1);
}

TEST_CASE("a queue that grows is seen, whatever the clocks say, and a single late packet is none") {
  for (const std::int64_t clock_ns : {std::int64_t{-1'700'000'000'000'000'000}, std::int64_t{0}, std::int64_t{1'700'000'000'000'000'000}}) {
    TrainCounter growing, late;
    for (std::uint32_t i = 0; i < 400; ++i) {
      const auto sent = std::int64_t{i} * 100'000;
      // Each packet waits 20 µs more than the one before: 400 of them 8 ms, three quarters of it from first to last quarter.
      growing.add(packet(1, i, 400, static_cast<std::uint64_t>(sent)), clock_ns + sent + i * 20'000);
      late.add(packet(1, i, 400, static_cast<std::uint64_t>(sent)), clock_ns + sent + (i % 3 == 0 ? 0 : 30'000'000));
    }
    CHECK(*growing.count().delay_growth_ms == Approx(6).margin(0.01));
    CHECK(*late.count().delay_growth_ms == Approx(0).margin(0.01));
  }
}

TEST_CASE("the second half tells how fast packets come") {
  TrainCounter counter;
  for (std::uint32_t i = 0; i < 1000; ++i)
    if (i < 500 || i % 2 == 0) counter.add(packet(1, i, 1000, 0), i < 500 ? i * 1000 : i * 10'000);
  CHECK(*counter.count().arrival_packets_per_s == Approx(50'000));  // one each 20 µs
  TrainCounter few;
  for (std::uint32_t i = 0; i < 8; ++i) few.add(packet(1, i, 8, 0), i * 1000);
  CHECK_FALSE(few.count().arrival_packets_per_s);
}

TEST_CASE("nothing that came is no trial") {
  TrainCounter counter;
  CHECK(counter.count().packets == 0);
  CHECK_FALSE(counter.count().delay_growth_ms);
}
