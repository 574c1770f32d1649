#include "probes/wire/h265.hpp"

#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

#include <random>

using namespace tallywire::wire;
using tallywire::test::from_hex;

namespace {

struct Row {
  const char* number;
  const char* octets;
  int width, height;
  const char* profile;
  const char* level;
  double frame_rate_hz;  // 0: not in it
};

// Check-values section 7: whole NAL units, read by two independent decoders that agree; 7.1 is from RFC 3984 §8.2.1.
const Row h264_rows[] = {
    {"7.1", "6742000a9653058988", 176, 144, "Baseline", "1.0", 0},
    {"7.2", "67640028acd940780227e5c044000003000400000300c83c60c658", 1920, 1080, "High", "4.0", 25},
    {"7.3", "674d4029eca03c0113f2e022000007d20001d4c01e30632c", 1920, 1080, "Main", "4.1", 30000.0 / 1001},
    {"7.4", "6742c01fdb014016ec0440000003004000000783c60cb8", 1280, 720, "Constrained Baseline", "3.1", 15},
    {"7.5", "6742c01edb0280f6c044000003000800000300c83c58bb80", 640, 480, "Constrained Baseline", "3.0", 12.5},
    {"7.6", "6742c033da00f0010fb011000003000100000300280f1832a0", 3840, 2160, "Constrained Baseline", "5.1", 20},
    {"7.7", "6742c032da00a203d7e5c044000003000400000300a03c60ca80", 2592, 1944, "Constrained Baseline", "5.0", 20},
    {"7.8", "67640028acd94078044fde0220000003002000000643e2c5b2c0", 1920, 1080, "High", "4.0", 25},
    {"7.9", "6742c028da01441778888c0440000003004000000c83c60ca8", 1282, 722, "Constrained Baseline", "4.0", 25},
};

const Row h265_rows[] = {
    {"7.10", "420101016000000300900000030000030078a003c0801107cb965654a4c2f0168080000003008000000c84", 1920, 1080, "Main", "4.0", 25},
    {"7.11", "42010101600000030090000003000003005da00280802d16595952930bc05a02000007d20000ea6010", 1280, 720, "Main", "3.1", 30000.0 / 1001},
    {"7.12", "420101016000000300900000030000030096a001e020021c5965654a4c2f016808000003000800000300a040", 3840, 2160, "Main", "5.0", 20},
    {"7.13", "420101016000000300900000030000030096a001442007a1f2e595952930bc05a020000003002000000301e1", 2592, 1944, "Main", "5.0", 15},
};

void check(const Row& row, const std::optional<PictureFormat>& format) {
  CAPTURE(row.number);
  REQUIRE(format);
  CHECK(format->width == row.width);
  CHECK(format->height == row.height);
  CHECK(format->profile == row.profile);
  CHECK(format->level == row.level);
  if (row.frame_rate_hz == 0)
    CHECK_FALSE(format->frame_rate_hz);
  else
    CHECK(format->frame_rate_hz.value_or(0) == Approx(row.frame_rate_hz).epsilon(1e-9));
}

}  // namespace

TEST_CASE("H.264 sequence parameter sets say size after cropping, profile, level and frame rate") {
  for (const auto& row : h264_rows) check(row, decode_h264_sps(from_hex(row.octets)));
}

TEST_CASE("H.265 sequence parameter sets say size after cropping, profile, level and frame rate") {
  for (const auto& row : h265_rows) check(row, decode_h265_sps(from_hex(row.octets)));
}

TEST_CASE("level 1b and the intra profiles (ITU-T H.264 §A.2, §A.3.1; from memory)") {
  // Row 7.1 with another profile_idc, constraint flags and level_idc; its rest is the same in Baseline and Main.
  const auto with = [](const char* head) { return decode_h264_sps(from_hex(std::string(head) + "9653058988")); };
  CHECK(with("6742100b")->level == "1b");
  CHECK(with("674d100b")->level == "1b");
  CHECK(with("6742000b")->level == "1.1");
  CHECK(with("67420009")->level == "1b");
  CHECK(with("6758000a")->profile == "Extended");
}

TEST_CASE("a profile-level-id is the three octets behind the NAL header (RFC 6184 §8.1)") {
  CHECK(profile_level_id_of(from_hex(h264_rows[1].octets)) == "640028");  // as row 7.2 says
  CHECK(profile_level_id_of(from_hex(h264_rows[2].octets)) == "4D4029");
  CHECK(profile_level_id_of(from_hex("6742")).empty());
}

TEST_CASE("a parameter set cut or scrambled anywhere is refused or read, never past its end") {
  std::mt19937 random(3);
  const auto torture = [&](const Row& row, auto decode) {
    const auto whole = from_hex(row.octets);
    for (std::size_t length = 0; length < whole.size(); ++length) decode(Octets(whole).first(length));
    for (int i = 0; i < 3000; ++i) {
      auto scrambled = whole;
      for (int n = 0; n < 3; ++n) scrambled[1 + random() % (scrambled.size() - 1)] = static_cast<std::uint8_t>(random());
      const auto format = decode(scrambled);
      if (format) CHECK(format->width > 0);
    }
  };
  for (const auto& row : h264_rows) torture(row, [](Octets o) { return decode_h264_sps(o); });
  for (const auto& row : h265_rows) torture(row, [](Octets o) { return decode_h265_sps(o); });
}
