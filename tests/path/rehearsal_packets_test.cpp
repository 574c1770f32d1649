// The octets of made-up packets against RFC 6184.
#include "probes/path/rehearsal_packets.hpp"
#include "probes/wire/h264.hpp"
#include "probes/wire/rtp.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::path;

namespace {

std::vector<std::uint8_t> head_of(bool key, bool first, bool last) {
  MadeUpPacket packet;
  packet.ssrc = 0x01020304;
  packet.rtp_time = 0x0a0b0c0d;
  packet.sequence = 0xfffe;
  packet.first = first;
  packet.last = last;
  packet.in_gop = key ? 0 : 200;
  packet.stamp = {123'456'789, 9, key};
  std::array<std::uint8_t, made_up_header_octets> out{};
  const auto length = write_head(packet, out);
  return {out.begin(), out.begin() + static_cast<std::ptrdiff_t>(length)};
}

}  // namespace

TEST_CASE("fragments carry the headers of RFC 6184 section 5.8") {
  // FU-A of an IDR: indicator 7c, header 85, 05, 45; of a non-IDR: 5c, 81, 01, 41.
  struct Row {
    bool key, first, last;
    int indicator, header;
  };
  for (const auto& row : {Row{true, true, false, 0x7c, 0x85}, Row{true, false, false, 0x7c, 0x05}, Row{true, false, true, 0x7c, 0x45},
                          Row{false, true, false, 0x5c, 0x81}, Row{false, false, false, 0x5c, 0x01}, Row{false, false, true, 0x5c, 0x41}}) {
    const auto head = head_of(row.key, row.first, row.last);
    const auto packet = wire::decode_rtp(head);
    REQUIRE(packet);
    CHECK(packet->payload[0] == row.indicator);
    CHECK(packet->payload[1] == row.header);
    CHECK(packet->marker == row.last);  // RFC 6184 §5.1: on the last packet of a picture
    CHECK(packet->ssrc == 0x01020304);
    CHECK(packet->timestamp == 0x0a0b0c0d);
    CHECK(packet->sequence == 0xfffe);
    const auto stamp = read_stamp(packet->payload);
    REQUIRE(stamp);
    CHECK(stamp->due_us == 123'456'789);
    CHECK(stamp->step == 9);
    CHECK(stamp->key == row.key);
  }
}

TEST_CASE("a slice that fits is not cut: a fragment may not be both first and last") {
  CHECK(wire::decode_rtp(head_of(true, true, true))->payload[0] == 0x65);
  const auto small = head_of(false, true, true);
  CHECK(wire::decode_rtp(small)->payload[0] == 0x41);
  CHECK(read_stamp(wire::decode_rtp(small)->payload)->step == 9);
}

TEST_CASE("parameter sets say the size that they were asked for") {
  // Sizes whose last macroblocks are cropped, and one that has none to crop (ITU-T H.264 §7.4.2.1.1).
  for (const auto& [width, height] : {std::pair{1920, 1080}, std::pair{1280, 720}, std::pair{640, 360}, std::pair{2592, 1944}, std::pair{3840, 2160}}) {
    const auto sets = parameter_sets_of(width, height);
    REQUIRE(sets.size() <= most_parameter_set_octets);
    CHECK(sets[0] == 0x78);  // STAP-A, RFC 6184 §5.7.1
    const std::size_t length = static_cast<std::size_t>(sets[1] << 8 | sets[2]);
    const std::vector<std::uint8_t> sequence(sets.begin() + 3, sets.begin() + 3 + static_cast<std::ptrdiff_t>(length));
    const auto parsed = wire::decode_h264_sps(sequence);
    REQUIRE(parsed);
    CHECK(parsed->width == width);
    CHECK(parsed->height == height);
  }
}

TEST_CASE("what is no stamp is read as none, at any length") {
  const auto head = head_of(true, true, false);
  const std::vector<std::uint8_t> payload(head.begin() + rtp_header_octets, head.end());
  for (std::size_t length = 0; length < payload.size(); ++length) CHECK_FALSE(read_stamp(wire::Octets(payload.data(), length)));
  for (std::size_t at = 6; at < payload.size(); ++at) {
    auto cut = payload;
    cut[at] = static_cast<std::uint8_t>(cut[at] & 0x7f);
    CHECK_FALSE(read_stamp(cut));
  }
  CHECK_FALSE(read_stamp(parameter_sets_of(1280, 720)));
}
