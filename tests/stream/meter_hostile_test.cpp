// Octets that mean harm: every codec takes them, tells numbers that can be, and keeps its memory.
#include "tests/stream/packets.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <cmath>
#include <random>

using namespace tallywire;
using namespace tallywire::stream;
using namespace tallywire::test;

namespace {

void check_numbers(const Meter& meter) {
  const auto report = meter.report();
  for (const auto& value : {report.frame_rate_hz, report.arrival_frame_rate_hz, report.payload_bps, report.wire_bps, report.jitter_ms,
                            report.gop_s, report.gop_frames, report.loss_ratio, report.duration_s})
    if (value) CHECK((std::isfinite(*value) && *value >= 0));
  for (const auto& [field, half] : report.uncertainty) {
    CAPTURE(field);
    CHECK((std::isfinite(half) && half >= 0));
  }
  if (report.rtp_clock_ppm) CHECK(std::isfinite(*report.rtp_clock_ppm));
  CHECK(report.findings.size() < 32);
  CHECK(nlohmann::json(report).dump().size() < 200'000);
  CHECK_NOTHROW(nlohmann::json(meter.track_report()).dump());
}

}  // namespace

TEST_CASE("noise, and headers with noise behind them, in every codec") {
  std::mt19937 random(1);
  for (const char* encoding : {"H264", "H265", "JPEG", "PCMU", "G726-32", "MPEG4-GENERIC", "vnd.onvif.metadata", "", "VP9"}) {
    MeterSettings settings;
    settings.encoding_name = encoding;
    settings.codec = codec_of(encoding);
    settings.don_fields = random() & 1;
    settings.au_headers.size_length = 13;
    settings.au_headers.index_length = 3;
    Meter meter(settings);
    std::int64_t at_ns = noon.time_since_epoch().count();
    std::uint16_t sequence = 0;
    std::uint32_t rtp_time = 0;
    for (int i = 0; i < 20'000; ++i) {
      std::vector<std::uint8_t> payload(random() % 200);
      for (auto& octet : payload) octet = static_cast<std::uint8_t>(random());
      // Mostly in order; numbers, time stamps, sources and our own clock leap now and then, ours back too.
      sequence = random() % 50 == 0 ? static_cast<std::uint16_t>(random()) : static_cast<std::uint16_t>(sequence + 1);
      rtp_time = random() % 50 == 0 ? static_cast<std::uint32_t>(random()) : rtp_time + 3600;
      at_ns += random() % 50 == 0 ? static_cast<std::int64_t>(random()) * 1000 - 2'000'000'000'000 : 40'000'000;
      const SystemTime when{std::chrono::nanoseconds(at_ns)};
      const std::uint32_t ssrc = random() % 100 < 2 ? 8 : 7;
      auto octets = packet(sequence, rtp_time, payload, ssrc, random() & 1);
      if (random() % 20 == 0) octets[0] = static_cast<std::uint8_t>(random());
      meter.add(octets, when);
      if (random() % 20 == 0) meter.add_rtcp(payload, when);
      if (random() % 20 == 0) {
        auto report = from_hex("80c80006 00000007 b44db705 20000000 00015f90 000003e8 00155cc0");
        for (int n = 0; n < 4; ++n) report[8 + random() % 20] = static_cast<std::uint8_t>(random());
        meter.add_rtcp(report, when);
      }
      if (random() % 1000 == 0) meter.interrupt();
      if (random() % 500 == 0) meter.take_reception(when);
    }
    CAPTURE(encoding);
    check_numbers(meter);
  }
}

TEST_CASE("times of a capture file may be anything that its fields can hold") {
  // pcap and pcapng stamps reach from 1970 to 2554 in nanoseconds of 64 bits; ours end in 2262.
  const std::int64_t moments[] = {0, 1, 4'294'967'295'000'000'000, 9'223'372'036'854'775'807, 1'000'000'000, 0};
  Meter meter(h264());
  std::uint16_t sequence = 0;
  for (int round = 0; round < 50; ++round)
    for (const auto moment : moments)
      meter.add(packet(sequence++, static_cast<std::uint32_t>(round) * 3600u, difference(100)), SystemTime(std::chrono::nanoseconds(moment)));
  check_numbers(meter);
}

TEST_CASE("parameter sets of any length and number are held to a ceiling") {
  Meter meter(h264());
  const auto good = from_hex("6742c01fdb014016ec0440000003004000000783c60cb8");
  for (std::uint16_t i = 0; i < 2000; ++i) {
    auto set = good;
    set.resize(i % 2 == 0 ? 60'000 : 100, static_cast<std::uint8_t>(i));
    meter.add(packet(i, i * 3600u, set), after(i * 0.04));
  }
  const auto report = meter.report();
  CHECK(report.width == 1280);  // those of 100 octets were read
}
