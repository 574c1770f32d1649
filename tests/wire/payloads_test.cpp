#include "probes/wire/h265.hpp"
#include "probes/wire/jpeg.hpp"

#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

#include <numeric>

using namespace tallywire::wire;
using tallywire::test::from_hex;

namespace {

struct Seen {
  unsigned type;
  std::size_t octets;
  bool begins;
  bool operator==(const Seen&) const = default;
};

std::vector<Seen> h264(const char* hex, bool* good = nullptr) {
  std::vector<Seen> out;
  const auto payload = from_hex(hex);
  const bool ok = split_h264_payload(payload, [&](unsigned t, Octets o, bool b) { out.push_back({t, o.size(), b}); });
  if (good) *good = ok;
  return out;
}

std::vector<Seen> h265(const std::string& hex, bool* good = nullptr) {
  std::vector<Seen> out;
  const auto payload = from_hex(hex);
  const bool ok = split_h265_payload(payload, [&](unsigned t, Octets o, bool b) { out.push_back({t, o.size(), b}); });
  if (good) *good = ok;
  return out;
}

int sum(const std::array<std::uint8_t, 64>& table) { return std::accumulate(table.begin(), table.end(), 0); }

}  // namespace

TEST_CASE("FU-A of an IDR: first, middle, last (RFC 6184 §5.8; check-values section 6)") {
  CHECK(h264("7c85 aabb") == std::vector<Seen>{{5, 2, true}});
  CHECK(h264("7c05 aabb") == std::vector<Seen>{{5, 2, false}});
  CHECK(h264("7c45 aabb") == std::vector<Seen>{{5, 2, false}});
  CHECK(h264("5c81 aabb") == std::vector<Seen>{{1, 2, true}});
}

TEST_CASE("STAP-A of SPS and PPS: 9 and 4 octets (RFC 6184 §5.7.1; check-values section 6)") {
  CHECK(h264("78 0009 6742000a9653058988 0004 68c96388") == std::vector<Seen>{{7, 9, true}, {8, 4, true}});
}

TEST_CASE("start and end in one fragment is a fault (RFC 6184 §5.8, RFC 7798 §4.4.3)") {
  bool good = true;
  h264("7cc5 aabb", &good);
  CHECK_FALSE(good);
  h265("6201 d3 aabb", &good);
  CHECK_FALSE(good);
}

TEST_CASE("interleaved payload types are refused, single NAL units are taken (RFC 6184 §5.2, §5.4)") {
  bool good = true;
  for (const char* payload : {"79000000", "7a000000", "7b000000", "7d000000", "7e000000", ""}) {
    h264(payload, &good);
    CHECK_FALSE(good);
  }
  CHECK(h264("65 aabb", &good) == std::vector<Seen>{{5, 3, true}});
  CHECK(good);
}

TEST_CASE("H.265 NAL types and fragments (RFC 7798 §4.4.3; check-values section 6)") {
  CHECK(h265("4001 aa")[0].type == 32);
  CHECK(h265("4201 aa")[0].type == 33);
  CHECK(h265("2601 aa")[0].type == 19);
  CHECK(is_h265_key(19));
  CHECK(is_h265_key(21));
  CHECK_FALSE(is_h265_key(1));
  CHECK(h265("6201 93 aabb") == std::vector<Seen>{{19, 2, true}});
  CHECK(h265("6201 13 aabb") == std::vector<Seen>{{19, 2, false}});
  CHECK(h265("6201 53 aabb") == std::vector<Seen>{{19, 2, false}});
}

TEST_CASE("an H.265 aggregation packet holds VPS, SPS and PPS of 24, 41 and 6 octets (RFC 7798 §4.4.2)") {
  // Check-values row 7.11 and section 6.
  const std::string packet =
      "6001 0018 40010c01ffff01600000030090000003000003005d959409"
      "0029 42010101600000030090000003000003005da00280802d16595952930bc05a02000007d20000ea6010 0006 4401c073c089";
  CHECK(h265(packet) == std::vector<Seen>{{32, 24, true}, {33, 41, true}, {34, 6, true}});
}

TEST_CASE("decoding order numbers stand before units, and are passed over (RFC 7798 §4.4.1 to §4.4.3)") {
  std::vector<Seen> seen;
  const auto split = [&](const char* hex) {
    seen.clear();
    const auto payload = from_hex(hex);
    return split_h265_payload(payload, [&](unsigned t, Octets o, bool b) { seen.push_back({t, o.size(), b}); }, true);
  };
  // An aggregation packet: DONL of 2 octets before the first size, DOND of 1 before the others.
  CHECK(split("6001 0005 0004 4001aabb 00 0003 4401cc"));
  CHECK(seen == std::vector<Seen>{{32, 4, true}, {34, 3, true}});
  CHECK(split("6201 93 0005 aabb"));
  CHECK(seen == std::vector<Seen>{{19, 2, true}});
  CHECK(split("6201 13 aabb"));
  CHECK(seen == std::vector<Seen>{{19, 2, false}});
  CHECK(split("2601 0005 aabb"));
  CHECK(seen[0].type == 19);
  CHECK_FALSE(split("2601 00"));
  CHECK_FALSE(split("6201 93 00"));
}

TEST_CASE("PACI and the types above it are refused (RFC 7798 §4.4)") {
  bool good = true;
  for (const char* payload : {"6401 0000 0000", "6601 0000 0000", "7e01 0000 0000"}) {
    h265(payload, &good);
    CHECK_FALSE(good);
  }
}

TEST_CASE("kinds of H.264 payloads (RFC 6184 §5.2 Table 1)") {
  using enum H264PayloadKind;
  for (unsigned type = 1; type <= 23; ++type) CHECK(kind_of_h264_payload(type) == single);
  CHECK(kind_of_h264_payload(24) == aggregation);
  CHECK(kind_of_h264_payload(28) == fragment);
  for (const unsigned type : {25u, 26u, 27u, 29u}) CHECK(kind_of_h264_payload(type) == interleaved);
  for (const unsigned type : {0u, 30u, 31u}) CHECK(kind_of_h264_payload(type) == reserved);
}

TEST_CASE("slice types are Exp-Golomb codes behind first_mb_in_slice (ITU-T H.264 §7.3.3, Table 7-6)") {
  CHECK(decode_slice_type(from_hex("88")) == 7u);   // 1 0001000: I, all slices
  CHECK(decode_slice_type(from_hex("9a")) == 5u);   // 1 00110: P, all slices
  CHECK(decode_slice_type(from_hex("b0")) == 2u);   // 1 011: I
  CHECK(decode_slice_type(from_hex("e0")) == 0u);   // 1 1: P
  CHECK_FALSE(decode_slice_type(from_hex("82")));   // 1 00000 1…: cut short
  CHECK_FALSE(decode_slice_type({}));
}

TEST_CASE("a recovery point is found behind other SEI messages (ITU-T H.264 §7.3.2.3, §D.1)") {
  CHECK(has_recovery_point(from_hex("06 06 01 c4 80")));
  // Behind user data (type 5) of 3 octets, and behind one whose size of 256 takes two octets.
  CHECK(has_recovery_point(from_hex("06 05 03 aabbcc 06 01 c4 80")));
  auto longer = from_hex("06 05 ff 01");
  longer.resize(longer.size() + 256, 0xaa);
  for (const int octet : {0x06, 0x01, 0xc4, 0x80}) longer.push_back(static_cast<std::uint8_t>(octet));
  CHECK(has_recovery_point(longer));
  for (const char* without : {"", "06", "06 05 03 aabbcc 80", "06 05 ff", "06 ffffffff", "65 06 01 c4 80"})
    CHECK_FALSE(has_recovery_point(from_hex(without)));
}

TEST_CASE("JPEG sizes come in units of 8 (RFC 2435 §3.1.5; check-values section 6)") {
  const auto small = decode_jpeg_header(from_hex("00 000000 01 32 28 1e"));
  REQUIRE(small);
  CHECK(small->width == 320);
  CHECK(small->height == 240);
  const auto large = decode_jpeg_header(from_hex("00 000000 01 32 f0 87"));
  CHECK(large->width == 1920);
  CHECK(large->height == 1080);
}

TEST_CASE("JPEG restart and quantiser headers are taken whole or not at all (RFC 2435 §3.1.3, §3.1.7, §3.1.8)") {
  const auto restart = decode_jpeg_header(from_hex("00 000000 41 32 28 1e 0010 ffff"));
  REQUIRE(restart);
  CHECK(restart->restart_interval == 16);
  CHECK_FALSE(decode_jpeg_header(from_hex("00 000000 41 32 28 1e 0010")));
  auto tables = from_hex("00 000000 01 ff 28 1e 00 00 0080");
  tables.resize(tables.size() + 128);
  REQUIRE(decode_jpeg_header(tables));
  CHECK(decode_jpeg_header(tables)->table_octets == 128);
  CHECK_FALSE(decode_jpeg_header(Octets(tables).first(100)));
  CHECK(decode_jpeg_header(from_hex("00 000100 01 ff 28 1e")));  // the tables come only with offset 0
}

TEST_CASE("the size of a large JPEG stands in its start of frame (ITU-T T.81 §B.2.2; ONVIF Streaming)") {
  const auto size = find_jpeg_size(from_hex("ffdb 0004 0000 ffff ffc0 000b 08 0798 0a20 01 012200"));
  REQUIRE(size);
  CHECK(size->width == 2592);
  CHECK(size->height == 1944);
  for (const char* without : {"", "ffff ffff", "ffda 0002", "00 ffc0", "ffc0 0001", "ffc0 0011 08 07",
                              "ffc0 000b 08 0000 0a20 01 012200", "ffc4 0003 00"})
    CHECK_FALSE(find_jpeg_size(from_hex(without)));
}

TEST_CASE("JPEG quantiser tables follow Q (RFC 2435 App. A; check-values section 6)") {
  const int q[] = {1, 10, 25, 49, 50, 75, 90, 99}, scale[] = {5000, 500, 200, 102, 100, 50, 20, 2};
  for (int i = 0; i < 8; ++i) CHECK(quantiser_scale(q[i]) == scale[i]);
  const auto half = quantiser_tables(50);
  CHECK(std::vector<int>(half.luma.begin(), half.luma.begin() + 8) == std::vector<int>{16, 11, 10, 16, 24, 40, 51, 61});
  const auto good = quantiser_tables(75);
  CHECK(std::vector<int>(good.luma.begin(), good.luma.begin() + 8) == std::vector<int>{8, 6, 5, 8, 12, 20, 26, 31});
  const int sums[][3] = {{10, 12560, 15110}, {50, 3688, 5505}, {75, 1858, 2780}, {90, 736, 1110}, {99, 86, 115}};
  for (const auto& row : sums) {
    CHECK(sum(quantiser_tables(row[0]).luma) == row[1]);
    CHECK(sum(quantiser_tables(row[0]).chroma) == row[2]);
  }
}
