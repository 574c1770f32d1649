// Broken sessions, other sources, jumps, loss and jitter as the meter tells them.
#include "tests/stream/packets.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <cstdlib>
#include <new>

using namespace tallywire;
using namespace tallywire::stream;
using namespace tallywire::test;

namespace {

long allocations = 0;

struct Source {
  std::uint16_t sequence = 65'500;
  std::uint32_t rtp_time = 0xffff0000;
  std::uint32_t ssrc = 7;
  double at_s = 0;
  int frame = 0;

  // 25 frames/s, GOP of 25: I of 60 000 octets, P of 5000, each in one packet.
  void send(Meter& meter, int frames) {
    for (int i = 0; i < frames; ++i, ++frame) {
      meter.add(packet(sequence++, rtp_time, frame % 25 == 0 ? idr(60'000) : difference(5000), ssrc), after(at_s));
      rtp_time += 3600;
      at_s += 0.04;
    }
  }
};

bool any_finding(const StreamReport& report, const char* words) {
  for (const auto& finding : report.findings)
    if (finding.find(words) != std::string::npos) return true;
  return false;
}

}  // namespace

#ifndef __SANITIZE_ADDRESS__  // which has an allocator of its own
void* operator new(std::size_t size) {
  ++allocations;
  if (void* out = std::malloc(size)) return out;
  throw std::bad_alloc();
}
void operator delete(void* block) noexcept { std::free(block); }
void operator delete(void* block, std::size_t) noexcept { std::free(block); }
#endif

TEST_CASE("a session that broke and was resumed shows a gap, no loss, and the same rates") {
  Meter meter(h264());
  Source source;
  source.send(meter, 87);
  meter.interrupt();
  meter.interrupt();  // told twice is broken once
  Source resumed{100, 5, 99, source.at_s - 0.04 + 12.5, 0};
  resumed.send(meter, 87);
  const auto report = meter.report();
  REQUIRE(report.gaps.size() == 1);
  CHECK(report.gaps[0].begin_s == Approx(86 * 0.04));
  CHECK(report.gaps[0].duration_s == Approx(12.5));
  CHECK(report.lost_packets == 0);
  CHECK(report.packets == 174);
  CHECK(report.frame_rate_hz.value() == Approx(25));
  CHECK(report.gop_frames == 25.0);
  // Check-values section 2, mean over whole GOPs (computed).
  CHECK(report.payload_bps.value() == Approx(1'440'000));
  CHECK(report.window_gops == 6);
  CHECK(report.duration_s.value() == Approx(2 * 86 * 0.04 + 12.5));
  CHECK(report.ssrc == 99u);
  CHECK(report.jitter_ms.value() == Approx(0).margin(1e-6));
  CHECK(any_finding(report, "the session broke once"));
  CHECK_FALSE(any_finding(report, "SSRC"));
  // The second that lies in the gap is in no histogram: 3 whole seconds of each stretch.
  std::uint32_t seconds = 0;
  for (const auto& [edge, count] : report.windows.at(3).counts) seconds += count;
  CHECK(seconds == 6);
}

TEST_CASE("a session that broke and never came back shows no gap that is made up") {
  Meter meter(h264());
  Source source;
  source.send(meter, 50);
  meter.interrupt();
  CHECK(meter.report().gaps.empty());
  CHECK(meter.report().ssrc == 7u);
  CHECK(meter.report().frame_rate_hz.value() == Approx(25));
}

TEST_CASE("hundreds of breaks stay within the list's ceiling") {
  Meter meter(h264());
  Source source;
  for (int i = 0; i < 500; ++i) {
    source.send(meter, 2);
    meter.interrupt();
  }
  CHECK(meter.report().gaps.size() == 64);
  CHECK(any_finding(meter.report(), "the session broke 499 times"));
}

TEST_CASE("another source ends a stretch without a gap") {
  Meter meter(h264());
  Source first;
  first.send(meter, 87);
  Source second{4000, 77, 8, first.at_s, 0};
  second.send(meter, 87);
  const auto report = meter.report();
  CHECK(report.gaps.empty());
  CHECK(report.packets == 174);
  CHECK(report.lost_packets == 0);
  CHECK(report.frame_rate_hz.value() == Approx(25));
  CHECK(report.payload_bps.value() == Approx(1'440'000));
  CHECK(any_finding(report, "SSRC once"));
}

TEST_CASE("a path that was down for thousands of packets shows loss; an encoder that started again does not") {
  Meter down(h264()), restarted(h264());
  Source before;
  before.send(down, 100);
  Source same = before;
  same.sequence = static_cast<std::uint16_t>(same.sequence + 5000);
  same.rtp_time += 5000 * 3600u;
  same.at_s += 200;
  same.send(down, 100);
  CHECK(down.report().lost_packets == 5000);
  CHECK(down.report().packets == 200);
  CHECK(down.report().frame_rate_hz.value() == Approx(25));
  CHECK_FALSE(any_finding(down.report(), "started again"));

  Source again;
  again.send(restarted, 100);
  again.sequence = static_cast<std::uint16_t>(again.sequence + 5000);
  again.rtp_time = 1;
  again.send(restarted, 100);
  CHECK(restarted.report().lost_packets == 0);
  CHECK(restarted.report().packets == 200);
  CHECK(any_finding(restarted.report(), "packet numbers jumped once"));
  CHECK(restarted.report().frame_rate_hz.value() == Approx(25));
}

TEST_CASE("jitter by RFC 3550 A.8, worked at 90 kHz, through the meter") {
  // Check-values section 2, jitter table: J is 80.58883666992188 after six packets, 0.8954 ms.
  const std::uint32_t rtp[] = {0, 3600, 7200, 10800, 14400, 18000};
  const double arrival[] = {1000, 4600, 8650, 11800, 15130, 19000};
  Meter meter(h264());
  for (std::uint16_t i = 0; i < 6; ++i) meter.add(packet(i, rtp[i], difference(100)), after(arrival[i] / 90000));
  CHECK(meter.report().jitter_ms.value() == Approx(80.58883666992188 * 1000 / 90000).epsilon(1e-6));
  CHECK(meter.take_reception(noon).jitter == 80);
  // A duplicate is a packet as received: A.8 runs over it. 900 ticks behind its first coming: J += (900 - J) / 16.
  meter.add(packet(5, 18000, difference(100)), after(19900 / 90000.0));
  const double expected = 80.58883666992188 + (900 - 80.58883666992188) / 16;
  CHECK(meter.report().jitter_ms.value() == Approx(expected * 1000 / 90000).epsilon(1e-6));
}

TEST_CASE("jitter at 8 kHz, worked: 3.640380859375 after six packets (check-values section 2)") {
  MeterSettings settings;
  settings.codec = Codec::g711;
  settings.encoding_name = "PCMU";
  settings.kind = "audio";
  settings.clock_hz = 8000;
  Meter meter(settings);
  const double arrival[] = {0, 160, 336, 480, 656, 800};
  for (std::uint16_t i = 0; i < 6; ++i)
    meter.add(packet(i, i * 160u, std::vector<std::uint8_t>(160)), after(arrival[i] / 8000));
  CHECK(meter.track_report().jitter_ms.value() == Approx(3.640380859375 / 8));
}

TEST_CASE("loss, duplicates and reordering by the rows of check-values section 2, the first packet counted") {
  const auto told = [](std::initializer_list<int> arrivals) {
    Meter meter(h264());
    double at = 0;
    for (const int s : arrivals)
      meter.add(packet(static_cast<std::uint16_t>(s), static_cast<std::uint32_t>(s) * 3600u, difference(100)), after(at += 0.04));
    return meter.report();
  };
  const auto wrap = told({65533, 65534, 65535, 0, 1, 3, 4, 6});
  CHECK(wrap.lost_packets == 2);
  CHECK(wrap.loss_ratio.value() == Approx(0.2));
  const auto twice = told({100, 101, 102, 103, 104, 106, 107, 105, 108, 108});
  CHECK(twice.lost_packets == 0);
  CHECK(twice.duplicate_packets == 1);
  CHECK(twice.reordered_packets == 1);
  CHECK(twice.packets == 10);
  const auto burst = told({10, 11, 12, 2900});
  CHECK(burst.lost_packets == 2887);
}

TEST_CASE("a meter is small, and a packet costs no allocation") {
  CHECK(sizeof(Meter) <= 14'600);
  auto meter = std::make_unique<Meter>(h264());
  std::vector<std::vector<std::uint8_t>> packets;
  const auto sps = from_hex("67640028acd940780227e5c044000003000400000300c83c60c658");
  std::uint16_t sequence = 0;
  for (std::uint32_t frame = 0; frame < 500; ++frame) {
    if (frame % 25 == 0) packets.push_back(packet(sequence++, frame * 3600, sps));
    packets.push_back(packet(sequence++, frame * 3600, frame % 25 == 0 ? idr(1000) : difference(500), 7, true));
  }
  meter->add(packets.front(), noon);
  [[maybe_unused]] const long before = allocations;
  for (std::size_t i = 1; i < packets.size(); ++i) meter->add(packets[i], after(static_cast<double>(i) * 0.038));
#ifdef __SANITIZE_ADDRESS__
  WARN("allocations are not counted under the address sanitizer");
#else
  CHECK(before > 0);
  CHECK(allocations == before);
#endif
  CHECK(meter->report().frame_rate_hz.value() == Approx(25));
}
