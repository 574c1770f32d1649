#include "probes/stream/sender_watch.hpp"

#include "tests/stream/packets.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace tallywire;
using namespace tallywire::stream;
using namespace tallywire::test;

namespace {

// Seconds of NTP in 32.32 fixed point (RFC 5905 §6): 1970 is 2 208 988 800.
std::uint64_t ntp_of(SystemTime when, double offset_s = 0) {
  const double seconds = std::chrono::duration<double>(when - noon).count() + offset_s;
  const auto whole = static_cast<std::int64_t>(std::floor(seconds));
  const auto base = std::chrono::duration_cast<std::chrono::seconds>(noon.time_since_epoch()).count() + 2'208'988'800;
  const auto fraction = static_cast<std::uint64_t>((seconds - static_cast<double>(whole)) * 4294967296.0);
  return static_cast<std::uint64_t>(base + whole) << 32 | (fraction & 0xffffffff);
}

wire::SenderReport report(std::uint64_t ntp, std::uint32_t rtp, std::uint32_t packets) {
  wire::SenderReport out;
  out.ssrc = 7;
  out.ntp_time = ntp;
  out.rtp_time = rtp;
  out.packets = packets;
  return out;
}

}  // namespace

TEST_CASE("the offset of the unit's clock: nine minutes slow, by the report that was least delayed") {
  SenderWatch watch;
  const double delays[] = {0.004, 0.001, 0.009};
  for (int i = 0; i < 3; ++i)
    watch.add(report(ntp_of(after(i * 5.0), -540), static_cast<std::uint32_t>(i) * 450'000u, 0), after(i * 5.0 + delays[i]), 0, 0, 90000);
  const auto summary = watch.summary();
  CHECK(summary.count == 3);
  CHECK(summary.clock_offset_ms.value() == Approx(-540'001).margin(0.01));
  // The truth, -540 000, lies within.
  CHECK(summary.clock_offset_uncertainty_ms.value() == Approx(8 + 5).margin(0.01));
}

TEST_CASE("the NTP era wraps on 2036-02-07 at 06:28:16 and the offset does not (RFC 5905 Fig. 4)") {
  // A report of the last second of era 0, heard half a second after the wrap.
  SenderWatch watch;
  watch.add(report(0xffffffff'80000000, 0, 0), from_rfc3339("2036-02-07T06:28:16.500Z"), 0, 0, 90000);
  CHECK(watch.summary().clock_offset_ms.value() == Approx(-1000).margin(0.01));
  SenderWatch next;
  next.add(report(0x00000001'00000000, 0, 0), from_rfc3339("2036-02-07T06:28:17.500Z"), 0, 0, 90000);
  CHECK(next.summary().clock_offset_ms.value() == Approx(-500).margin(0.01));
}

TEST_CASE("a sender without a wall clock says 0 or counts from its start (RFC 3550 §6.4.1)") {
  SenderWatch none, elapsed;
  none.add(report(0, 5, 5), noon, 0, 0, 90000);
  CHECK_FALSE(none.summary().clock_offset_ms);
  CHECK(std::string(none.offset_unread()).find("no time of day") != std::string::npos);
  elapsed.add(report(std::uint64_t{120} << 32, 5, 5), noon, 0, 0, 90000);
  CHECK_FALSE(elapsed.summary().clock_offset_ms);
  CHECK(std::string(elapsed.offset_unread()).find("its own start") != std::string::npos);
}

TEST_CASE("the RTP clock against the unit's own: 100 ppm fast over 20 s") {
  SenderWatch watch;
  // 90 000 Hz · 20 s · 1.0001 = 1 800 180 ticks; the time stamp wraps on the way.
  watch.add(report(ntp_of(noon), 0xfff00000, 0), noon, 0, 0, 90000);
  watch.add(report(ntp_of(after(20)), 0xfff00000 + 1'800'180, 0), after(20), 0, 0, 90000);
  const auto clock = watch.clock();
  REQUIRE(clock);
  CHECK(clock->ppm == Approx(100).epsilon(1e-4));
  CHECK(clock->half_width == Approx(100));
  SenderWatch shorter;
  shorter.add(report(ntp_of(noon), 0, 0), noon, 0, 0, 90000);
  shorter.add(report(ntp_of(after(3)), 270'000, 0), after(3), 0, 0, 90000);
  CHECK_FALSE(shorter.clock());
}

TEST_CASE("what the unit counts as sent is held against what came") {
  // Check-values section 2, "SR decode": 1000 packets at RTP time 90 000; SSRC 0x11111111.
  const auto first = from_hex("80c80006 11111111 b44db705 20000000 00015f90 000003e8 00155cc0");
  auto second = first;
  second[22] = 0x07;  // 2024 packets: 0x07e8
  Meter meter(h264());
  const auto send = [&](int from, int to) {
    for (int i = from; i < to; ++i)
      if (i % 100 != 50)
        meter.add(packet(static_cast<std::uint16_t>(i), static_cast<std::uint32_t>(i) * 3600u, difference(100), 0x11111111),
                  after(i * 0.04));
  };
  send(0, 10);
  meter.add_rtcp(first, after(0.4));
  send(10, 1034);
  meter.add_rtcp(second, after(41.36));
  const auto report = meter.report();
  REQUIRE(report.sender_reports);
  CHECK(report.sender_reports->count == 2);
  CHECK(report.sender_reports->sent_packets == 1024);
  CHECK(report.sender_reports->received_packets == 1014);
  CHECK(report.lost_packets == 10);  // the loss that the numbers show accounts for the difference
  for (const auto& finding : report.findings) CHECK(finding.find("sender reports count") == std::string::npos);

  auto third = first;
  third[22] = 0x0b;  // 3048 packets, of which 1024 never had a number
  meter.add_rtcp(third, after(41.4));
  const auto odd = meter.report();
  bool found = false;
  for (const auto& finding : odd.findings) found = found || finding.find("sender reports count 2048 packets sent where its packet numbers make 1024") != std::string::npos;
  CHECK(found);
  // LSR and DLSR of the receiver report: RFC 3550 §6.4.1 Fig. 2.
  const auto block = meter.take_reception(after(41.4 + 5.25));
  CHECK(block.last_sr == 0xb7052000);
  CHECK(block.delay_since_sr == 0x00054000);
}
