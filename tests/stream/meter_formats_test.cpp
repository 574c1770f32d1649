// What the meter reads in each payload format, and what it makes of units that say one thing and send another.
#include "tests/stream/packets.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace tallywire;
using namespace tallywire::stream;
using namespace tallywire::test;

namespace {

bool any_finding(const StreamReport& report, const std::string& words) {
  for (const auto& finding : report.findings)
    if (finding.find(words) != std::string::npos) return true;
  return false;
}

MeterSettings format(const char* encoding, const char* kind, std::uint32_t clock_hz = 90000) {
  MeterSettings out;
  out.encoding_name = encoding;
  out.codec = codec_of(encoding);
  out.kind = kind;
  out.clock_hz = clock_hz;
  return out;
}

// Packets of `octets`, one every `step` ticks, on time by their own clock.
void feed(Meter& meter, int packets, std::uint32_t step, std::uint32_t clock_hz, const std::vector<std::uint8_t>& octets) {
  for (int i = 0; i < packets; ++i)
    meter.add(packet(static_cast<std::uint16_t>(i), static_cast<std::uint32_t>(i) * step, octets, 7, true),
              after(static_cast<double>(i) * step / clock_hz));
}

// RTP packet with a header extension (RFC 3550 §5.3.1) before the payload; `words` is a multiple of 4 octets.
std::vector<std::uint8_t> extended(std::uint16_t sequence, std::uint32_t time, std::uint16_t profile,
                                   const std::vector<std::uint8_t>& words, const std::vector<std::uint8_t>& payload) {
  std::vector<std::uint8_t> extension;
  wire::put_u16(extension, profile);
  wire::put_u16(extension, static_cast<std::uint16_t>(words.size() / 4));
  extension.insert(extension.end(), words.begin(), words.end());
  extension.insert(extension.end(), payload.begin(), payload.end());
  auto out = packet(sequence, time, extension);
  out[0] |= 0x10;
  return out;
}

}  // namespace

TEST_CASE("G.711: 64 000 bit/s of payload, 95 200 on the wire (RFC 3551 §4.5.14, check-values section 1)") {
  for (const char* encoding : {"PCMU", "PCMA"}) {
    Meter meter(format(encoding, "audio", 8000));
    feed(meter, 501, 160, 8000, std::vector<std::uint8_t>(160));
    const auto track = meter.track_report();
    CHECK(track.kind == "audio");
    CHECK(track.codec == encoding);
    CHECK(track.payload_bps.value() == Approx(64'000));
    CHECK(track.wire_bps.value() == Approx(95'200));
    CHECK(track.packets == 501);
    CHECK(track.unread.contains("frame_rate_hz"));
  }
}

TEST_CASE("G.726 at 32 kbit/s: 80 octets in 20 ms (RFC 3551 §4.5.4)") {
  CHECK(codec_of("G726-32") == Codec::g726);
  CHECK(codec_of("AAL2-G726-16") == Codec::g726);
  Meter meter(format("G726-32", "audio", 8000));
  feed(meter, 501, 160, 8000, std::vector<std::uint8_t>(80));
  CHECK(meter.track_report().payload_bps.value() == Approx(32'000));
}

TEST_CASE("AAC: 48 000 samples in units of 1024 are 46.875 a second (RFC 3640 §3.3.6, check-values section 5)") {
  auto settings = format("mpeg4-generic", "audio", 48000);
  read_format_parameters(settings, "streamtype=5; profile-level-id=14; mode=AAC-hbr; config=11B0; sizeLength=13; "
                                   "indexLength=3; indexDeltaLength=3");
  CHECK(settings.au_headers.size_length == 13);
  CHECK(settings.au_headers.index_delta_length == 3);
  CHECK_FALSE(settings.told.profile_level_id);  // that of AAC is another thing than that of H.264
  Meter meter(settings);
  // Two units of 100 octets: a header section of 32 bits (§3.2.1), sizes 100 << 3 = 0x0320.
  auto payload = from_hex("0020 0320 0320");
  payload.resize(6 + 200);
  feed(meter, 201, 2048, 48000, payload);
  const auto track = meter.track_report();
  CHECK(track.frames == 402);
  CHECK(track.frame_rate_hz.value() == Approx(46.875));
}

TEST_CASE("a unit of AAC in three fragments is one unit, when its last fragment comes (RFC 3640 §3.2.3)") {
  auto settings = format("MPEG4-GENERIC", "audio", 48000);
  read_format_parameters(settings, "sizeLength=13;indexLength=3;indexDeltaLength=3");
  Meter meter(settings);
  for (std::uint16_t i = 0; i < 30; ++i) {
    auto payload = from_hex("0010 2580");  // one unit of 1200 octets
    payload.resize(4 + 400);
    meter.add(packet(i, i / 3 * 1024u, payload, 7, i % 3 == 2), after(i / 3 * 0.0213));
  }
  CHECK(meter.track_report().frames == 10);
}

TEST_CASE("metadata: a marker ends each document (ONVIF Streaming, RTP for metadata)") {
  for (const char* encoding : {"vnd.onvif.metadata", "VND.ONVIF.METADATA+GZIP", "vnd.onvif.metadata.exi.ext"})
    CHECK(codec_of(encoding) == Codec::metadata);
  Meter meter(format("vnd.onvif.metadata", "metadata"));
  for (std::uint16_t i = 0; i < 30; ++i)  // time stamps mean nothing: here they stand still, then leap
    meter.add(packet(i, i < 20 ? 0 : 1u << 30, std::vector<std::uint8_t>(500), 7, i % 3 == 2), after(i * 0.1));
  const auto track = meter.track_report();
  CHECK(track.frames == 10);
  CHECK(track.payload_bps.value() == Approx(30 * 500 * 8 / 2.9).epsilon(0.04));
  CHECK(meter.report().findings.empty());
  CHECK(meter.report().unread.at("rtp_clock_ppm").find("no meaning") != std::string::npos);
}

TEST_CASE("JPEG: each picture is a key frame, its size in units of 8 (RFC 2435 §3.1.5)") {
  Meter meter(format("JPEG", "video"));
  auto payload = from_hex("00 000000 01 32 f0 87");  // check-values section 6: 1920 x 1080
  payload.resize(1200);
  feed(meter, 101, 9000, 90000, payload);
  const auto report = meter.report();
  CHECK(report.width == 1920);
  CHECK(report.height == 1080);
  CHECK(report.gop_frames == 1.0);
  CHECK(report.frame_rate_hz.value() == Approx(10));
  CHECK(report.payload_bps.value() == Approx(96'000));
  CHECK(report.unread.contains("level"));
}

TEST_CASE("JPEG larger than 2040 pixels has its size in the header extension (ONVIF Streaming, JPEG over RTP)") {
  const auto header = from_hex("00 000000 01 32 00 00");
  // A start of frame of 2592 x 1944 behind a comment (ITU-T T.81 §B.2.2, §B.2.4.5), filled to whole words.
  const auto segments = from_hex("fffe 0004 6162 ffc0 0011 08 0798 0a20 03 012200 021101 031101 ff ffff");
  REQUIRE(segments.size() % 4 == 0);
  Meter told(format("JPEG", "video")), untold(format("JPEG", "video"));
  for (std::uint16_t i = 0; i < 20; ++i) {
    // Later frames may leave it out: the size of the one before holds.
    told.add(extended(i, i * 9000u, 0xffd8, i == 0 ? segments : std::vector<std::uint8_t>{}, header), after(i * 0.1));
    untold.add(packet(i, i * 9000u, header), after(i * 0.1));
  }
  CHECK(told.report().width == 2592);
  CHECK(told.report().height == 1944);
  CHECK_FALSE(untold.report().width);
  CHECK(untold.report().unread.at("width").find("larger than RTP/JPEG can say") != std::string::npos);
}

TEST_CASE("H.265: parameter sets in an aggregation packet, key frames in fragments (check-values rows 7.11, section 6)") {
  Meter meter(format("H265", "video"));
  const auto sets = from_hex(
      "6001 0018 40010c01ffff01600000030090000003000003005d959409"
      "0029 42010101600000030090000003000003005da00280802d16595952930bc05a02000007d20000ea6010 0006 4401c073c089");
  std::uint16_t sequence = 0;
  for (std::uint32_t frame = 0; frame < 91; ++frame) {
    const auto at = after(frame * 1001 / 30000.0);
    if (frame % 30 == 0) {
      meter.add(packet(sequence++, frame * 3003, sets), at);
      meter.add(packet(sequence++, frame * 3003, nal({0x62, 0x01, 0x93}, 1000)), at);
      meter.add(packet(sequence++, frame * 3003, nal({0x62, 0x01, 0x53}, 1000), 7, true), at);
    } else {
      meter.add(packet(sequence++, frame * 3003, nal({0x02, 0x01}, 500), 7, true), at);
    }
  }
  const auto report = meter.report();
  CHECK(report.codec == "H265");
  CHECK(report.width == 1280);
  CHECK(report.height == 720);
  CHECK(report.profile == "Main");
  CHECK(report.level == "3.1");
  CHECK(report.vui_frame_rate_hz.value() == Approx(30000.0 / 1001));
  CHECK(report.frame_rate_hz.value() == Approx(30000.0 / 1001));
  CHECK(report.gop_frames == 30.0);
  CHECK(report.keyframe_bytes_max == static_cast<std::int64_t>(sets.size()) + 2000);
  CHECK(report.findings.empty());
}

TEST_CASE("packets that are not of the agreed mode are counted as what they are, and make no frame") {
  Meter meter(h264());
  std::uint16_t sequence = 0;
  // RFC 6184 §5.2 Table 1: STAP-B, MTAP16, MTAP24, FU-B; 0, 30 and 31 are reserved.
  for (const int type : {25, 26, 27, 29, 0, 30, 31, 25}) {
    meter.add(packet(sequence, sequence * 3600u, nal({static_cast<std::uint8_t>(type)}, 100)), after(sequence * 0.04));
    ++sequence;
  }
  const auto report = meter.report();
  CHECK_FALSE(report.frame_rate_hz);
  CHECK(any_finding(report, "5 packets were of the interleaved mode"));
  CHECK(any_finding(report, "3 packets were of a payload type that no standard defines"));
  Meter h265(format("H265", "video"));
  h265.add(packet(0, 0, nal({50 << 1, 1}, 100)), noon);
  CHECK(any_finding(h265.report(), "1 packet was PACI"));
}

TEST_CASE("intra refresh: parameter sets repeat, no IDR comes, and the report says so") {
  Meter meter(h264());
  const auto sps = from_hex("67640028acd940780227e5c044000003000400000300c83c60c658");
  // A SEI with a recovery point: payload type 6, size 1 (ITU-T H.264 §D.1.8), before an I slice (slice_type 7).
  std::uint16_t sequence = 0;
  for (std::uint32_t frame = 0; frame < 100; ++frame) {
    const auto at = after(frame * 0.04);
    if (frame % 25 == 0) {
      meter.add(packet(sequence++, frame * 3600, sps), at);
      meter.add(packet(sequence++, frame * 3600, from_hex("06 06 01 c4 80")), at);
      meter.add(packet(sequence++, frame * 3600, nal({0x41, 0x88}, 3000)), at);
    } else {
      meter.add(packet(sequence++, frame * 3600, difference(1000)), at);
    }
  }
  const auto report = meter.report();
  CHECK_FALSE(report.gop_frames);
  CHECK(report.frame_rate_hz.value() == Approx(25));
  CHECK(any_finding(report, "no IDR picture came though parameter sets repeat (recovery points: 4) (intra slices: 4)"));
  CHECK(report.uncertainty_of("payload_bps") > 0);
}

TEST_CASE("a unit that says one thing and sends another is found out") {
  auto settings = h264();  // sprop: row 7.2, 1920 x 1080 at 25
  settings.told = {30, 1920, 1080, "640028"};
  Meter meter(settings);
  const auto row_7_4 = from_hex("6742c01fdb014016ec0440000003004000000783c60cb8");  // 1280 x 720, 15 frames/s
  std::uint16_t sequence = 0;
  for (std::uint32_t frame = 0; frame < 100; ++frame) {
    if (frame % 25 == 0) meter.add(packet(sequence++, frame * 3600, row_7_4), after(frame * 0.04));
    meter.add(packet(sequence++, frame * 3600, frame % 25 == 0 ? idr(2000) : difference(500)), after(frame * 0.04));
  }
  const auto report = meter.report();
  CHECK(report.width == 1280);
  CHECK(report.profile == "Constrained Baseline");
  CHECK(any_finding(report, "profile-level-id 640028, the stream's own parameter set 42C01F"));
  CHECK(any_finding(report, "the unit says 1920 x 1080, the stream is 1280 x 720"));
  CHECK(any_finding(report, "parameter sets of the session description say 1920 x 1080, those in the stream 1280 x 720"));
  CHECK(any_finding(report, "the unit says 30 frames/s, the time stamps make 25"));
  CHECK(any_finding(report, "the parameter sets say 15 frames/s, the time stamps make 25"));
  CHECK(report.findings.size() == 5);
}

TEST_CASE("a unit that keeps its word gives no finding") {
  auto settings = h264();
  settings.told = {25, 1920, 1080, "640028"};
  const auto sps = settings.parameter_sets[0];
  Meter meter(settings);
  std::uint16_t sequence = 0;
  for (std::uint32_t frame = 0; frame < 300; ++frame) {
    if (frame % 25 == 0) meter.add(packet(sequence++, frame * 3600, sps), after(frame * 0.04));
    meter.add(packet(sequence++, frame * 3600, frame % 25 == 0 ? idr(2000) : difference(500)), after(frame * 0.04));
  }
  const auto report = meter.report();
  CHECK(report.findings.empty());
  CHECK(report.arrival_frame_rate_hz.value() == Approx(25).epsilon(1e-6));
  CHECK(std::abs(report.rtp_clock_ppm.value()) <= report.uncertainty_of("rtp_clock_ppm"));
}

TEST_CASE("frames stamped for 25 a second that come at 20: both rates, the finding, and bits by our clock") {
  Meter meter(h264());
  for (std::uint32_t frame = 0; frame < 400; ++frame)
    meter.add(packet(static_cast<std::uint16_t>(frame), frame * 3600, frame % 25 == 0 ? idr(60'000) : difference(5000)),
              after(frame * 0.05));
  const auto report = meter.report();
  CHECK(report.frame_rate_hz.value() == Approx(25));
  CHECK(report.arrival_frame_rate_hz.value() == Approx(20).epsilon(1e-5));
  CHECK(any_finding(report, "the time stamps make 25 frames/s, but 20 arrive"));
  // 180 000 octets of a GOP in 1.25 s: 1 152 000 bit/s cross the wire, not the 1 440 000 of the stamps.
  CHECK(report.payload_bps.value() == Approx(1'152'000).epsilon(1e-4));
}

TEST_CASE("every field of the answer is there: read, or null with its reason") {
  Meter meter(h264());
  for (std::uint32_t frame = 0; frame < 300; ++frame)
    meter.add(packet(static_cast<std::uint16_t>(frame), frame * 3600, frame % 25 == 0 ? idr(2000) : difference(500)),
              after(frame * 0.04));
  for (const nlohmann::json& answer : {nlohmann::json(meter.report()), nlohmann::json(Meter(h264()).report())}) {
    CHECK(answer.size() == 41);
    for (const auto& [field, value] : answer.items()) {
      CAPTURE(field);
      CHECK(value.is_null() == answer.at("unread").contains(field));
    }
  }
  const nlohmann::json answer = meter.report();
  CHECK(answer.at("ssrc") == 7);
  CHECK(answer.at("window").at("gops") == 11);
  CHECK(answer.at("windows").at("1000").is_array());
}
