#include "probes/stream/meter.hpp"

#include "tests/stream/packets.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace tallywire;
using namespace tallywire::stream;
using namespace tallywire::test;

namespace {

// Frames of one packet each: a key frame of `key` octets, then differences of `difference`.
void feed(Meter& meter, int frames, int gop, std::size_t key, std::size_t difference, int first = 0,
          const std::function<bool(int)>& keep = {}) {
  for (int i = 0; i < frames; ++i) {
    if (keep && !keep(i)) continue;
    const bool is_key = (first + i) % gop == 0;
    std::vector<std::uint8_t> payload(is_key ? key : difference, 0);
    payload[0] = is_key ? 0x65 : 0x41;
    meter.add(packet(static_cast<std::uint16_t>(65000 + i), 4'294'000'000u + static_cast<std::uint32_t>(i) * 3600u, payload),
              noon + std::chrono::milliseconds(40 * i));
  }
}

}  // namespace

TEST_CASE("the mean over whole GOPs is free of where the cut falls") {
  // 25 frames/s, I of 60 000 octets, 24 P of 5000: 1 440 000 bit/s; cuts of 37 frames would read 10.7 % more or
  // 9.9 % less (check-values section 2, computed). The time stamps wrap on the way.
  for (const int first : {0, 1, 13}) {
    Meter meter(h264());
    feed(meter, 87, 25, 60'000, 5000, first);
    const auto report = meter.report();
    CAPTURE(first);
    CHECK(report.payload_bps.value() == Approx(1'440'000));
    CHECK(report.frame_rate_hz.value() == Approx(25));
    CHECK(report.gop_frames.value() == 25);
    CHECK(report.gop_s.value() == Approx(1));
    CHECK(report.keyframe_bytes_max.value() == 60'000);
    CHECK(report.width == 1920);
    CHECK(report.height == 1080);
    CHECK(report.profile == "High");
    CHECK(report.lost_packets == 0);
  }
}

TEST_CASE("TCP is weighed by the segments that the kernel counted") {
  // 724 octets a segment: 724 + 32 of TCP with the time stamp option (RFC 7323), 20 of IPv4, 18 of Ethernet with its FCS,
  // 20 of preamble and gap are 814; full segments carry 1448 in 1538 (check-values section 1). Arithmetic.
  auto settings = h264();
  settings.wrapping.transport = Wrapping::Transport::tcp;
  Meter full(settings), half(settings);
  feed(full, 87, 25, 60'000, 5000);
  feed(half, 87, 25, 60'000, 5000);
  half.tell_tcp_segment(724);
  CHECK(half.report().wire_bps.value() / full.report().wire_bps.value() == Approx((814.0 / 724) / (1538.0 / 1448)));
  CHECK(half.report().payload_bps.value() == full.report().payload_bps.value());
}

TEST_CASE("a rate over whole GOPs is exact but for what was lost") {
  Meter whole(h264()), lossy(h264());
  feed(whole, 87, 25, 60'000, 5000);
  feed(lossy, 87, 25, 60'000, 5000, 0, [](int i) { return i % 25 != 7; });
  CHECK(whole.report().uncertainty_of("payload_bps") == 0);
  // 3 of the 75 frames are lost in the GOPs that are covered: 3 · 5000 octets in 3 s are 40 000 bit/s.
  const auto report = lossy.report();
  CHECK(report.payload_bps.value() == Approx(1'440'000 - 40'000));
  CHECK(report.uncertainty_of("payload_bps") >= 40'000);
  CHECK(report.window_gops == 3);
  CHECK(report.window_s.value() == Approx(3));
}

TEST_CASE("with fewer than two key frames the rate carries its uncertainty, and the GOP is unread") {
  Meter meter(h264());
  feed(meter, 20, 100, 60'000, 5000, 1);
  const auto report = meter.report();
  CHECK(report.payload_bps);
  CHECK(report.uncertainty_of("payload_bps") > 0);
  CHECK_FALSE(report.gop_frames);
  CHECK(report.unread.contains("gop_frames"));
}

TEST_CASE("frame rates by time stamps: RFC 3551 (90 kHz video)") {
  const std::pair<std::uint32_t, double> rows[] = {{3600, 25}, {3000, 30}, {6000, 15}, {3003, 29.97003}};
  for (const auto& [step, rate] : rows) {
    Meter meter(h264());
    for (std::uint32_t i = 0; i < 100; ++i)
      meter.add(packet(static_cast<std::uint16_t>(i), i * step, {0x41, 0}), noon + std::chrono::milliseconds(40 * i));
    CHECK(meter.report().frame_rate_hz.value() == Approx(rate).epsilon(1e-6));
  }
}

TEST_CASE("frames that are lost whole do not slow the frame rate or the GOP, and are told as loss") {
  Meter meter(h264());
  feed(meter, 101, 25, 1200, 1000, 0, [](int i) { return i % 25 == 0 || i % 10 != 3; });
  const auto report = meter.report();
  CHECK(report.frame_rate_hz.value() == Approx(25));
  CHECK(report.gop_frames.value() == 25);
  CHECK(report.lost_packets.value() == 10);
}

TEST_CASE("a GOP whose key frame was lost is not taken for a longer one") {
  // Frames 20 to 30 are lost, and the key frame 25 with them: 0 to 50 would read as one GOP of 50.
  Meter meter(h264());
  feed(meter, 151, 25, 12'000, 1000, 0, [](int i) { return i < 20 || i > 30; });
  const auto report = meter.report();
  CHECK(report.gop_frames.value() == 25);
  CHECK(report.gop_frames_max == 25);
  CHECK(report.gop_s.value() == Approx(1));
  // With a hole in the one GOP there is, nothing tells.
  Meter only(h264());
  feed(only, 51, 25, 12'000, 1000, 0, [](int i) { return i < 20 || i > 30; });
  CHECK_FALSE(only.report().gop_frames.has_value());
  CHECK(only.report().unread.count("gop_frames") == 1);
}

TEST_CASE("octets on the wire: 1400 of payload are 1478 over UDP and IPv4 (RFC 5180; check-values section 1)") {
  const Wrapping udp;
  CHECK(wire_octets(1412, udp) == 1478);
  Wrapping tagged = udp;
  tagged.vlan_tags = 1;
  CHECK(wire_octets(1412, tagged) == 1482);
  Wrapping v6 = udp;
  v6.ipv6 = true;
  CHECK(wire_octets(1412, v6) == 1498);
  // G.711, 160 octets every 20 ms: 238, so 95 200 bit/s (RFC 3551 §4.2, arithmetic).
  CHECK(wire_octets(172, udp) * 8 * 50 == 95'200);
  CHECK(wire_octets(12 + 1, udp) == 84);  // a minimum frame
  // TCP with time stamps carries 941.48 Mbit/s of 1 Gbit/s in 1448-octet segments (RFC 7323; check-values section 1).
  const Wrapping tcp{Wrapping::Transport::tcp, false, 0};
  CHECK(1448 / wire_octets(1448, tcp) == Approx(0.94148).epsilon(1e-5));
}

TEST_CASE("4 Mbit/s in 1400-octet packets make 4 222 857.14 bit/s on the wire (check-values section 1)") {
  CHECK(4e6 / (1400 * 8) * wire_octets(1412, Wrapping{}) * 8 == Approx(4'222'857.14));
}

TEST_CASE("a stray packet of another source changes nothing; a real change is told") {
  Meter meter(h264());
  feed(meter, 50, 25, 2000, 1000);
  meter.add(packet(1, 1, {0x41, 0}, 99), noon);
  CHECK(meter.ssrc() == 7u);
  for (std::uint16_t i = 0; i < 30; ++i)
    meter.add(packet(i, i * 3600u, {0x41, 0}, 42), noon + std::chrono::seconds(3) + std::chrono::milliseconds(40 * i));
  CHECK(meter.ssrc() == 42u);
  const auto findings = meter.report().findings;
  REQUIRE(findings.size() == 2);
  CHECK(findings[0].find("changed its SSRC once") != std::string::npos);
  CHECK(findings[1].find("1 packet of another source") != std::string::npos);
  // Every packet of the new source counts, the one that waited for confirmation too.
  CHECK(meter.report().packets == 80);
}

TEST_CASE("what never came is unread with a reason, in every field of the answer") {
  const Meter meter(h264());
  const nlohmann::json answer = meter.report();
  for (const char* field : {"codec", "width", "payload_bps", "packets", "jitter_ms", "peak_bps"}) {
    CHECK(answer.at(field).is_null());
    CHECK_FALSE(answer.at("unread").at(field).get<std::string>().empty());
  }
}

TEST_CASE("hostile packets are counted, not believed") {
  Meter meter(h264());
  feed(meter, 50, 25, 2000, 1000);
  for (int i = 0; i < 1000; ++i) {
    std::vector<std::uint8_t> noise(static_cast<std::size_t>(i % 40), static_cast<std::uint8_t>(i * 37));
    meter.add(noise, noon + std::chrono::seconds(2));
    meter.add_rtcp(noise, noon + std::chrono::seconds(2));
  }
  CHECK(meter.report().lost_packets == 0);
  CHECK(meter.report().frame_rate_hz.value() == Approx(25));
}

TEST_CASE("a receiver report tells the loss of its interval: RFC 3550 A.3") {
  // 1000 to 1100, report, then 1101 to 1200 without four: expected 100, fraction 10, lost 4 (check-values section 2).
  Meter meter(h264());
  const auto send = [&](int sequence) {
    meter.add(packet(static_cast<std::uint16_t>(sequence), static_cast<std::uint32_t>(sequence) * 3600u, {0x41, 0}),
              noon + std::chrono::milliseconds(40 * (sequence - 1000)));
  };
  for (int s = 1000; s <= 1100; ++s) send(s);
  meter.take_reception(noon);
  for (int s = 1101; s <= 1200; ++s)
    if (s != 1110 && s != 1120 && s != 1130 && s != 1140) send(s);
  const auto block = meter.take_reception(noon);
  CHECK(block.fraction_lost == 10);
  CHECK(block.cumulative_lost == 4);
  CHECK(block.extended_highest == 1200);
}

TEST_CASE("a GOP whose time stamps run backward has no length in seconds") {
  Meter meter(h264());
  std::uint16_t sequence = 0;
  for (int frame = 0; frame < 4; ++frame)
    meter.add(packet(sequence++, 90'000 - 3600u * static_cast<std::uint32_t>(frame), frame % 2 ? difference(500) : idr(900), 7, true), after(0.04 * frame));
  const auto report = meter.report();
  CHECK_FALSE(report.gop_s);
  CHECK(report.unread.count("gop_s") == 1);
  CHECK(report.gop_frames == 2);
}
