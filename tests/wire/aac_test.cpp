#include "probes/wire/aac.hpp"

#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

#include <random>

using namespace tallywire::wire;
using tallywire::test::from_hex;

namespace {

// RFC 3640 §3.3.6: sizeLength=13; indexLength=3; indexDeltaLength=3.
AuHeaderFormat high_rate() {
  AuHeaderFormat out;
  out.size_length = 13;
  out.index_length = 3;
  out.index_delta_length = 3;
  return out;
}

std::vector<std::uint8_t> with_data(const char* section, std::size_t data) {
  auto out = from_hex(section);
  out.resize(out.size() + data);
  return out;
}

}  // namespace

TEST_CASE("AU headers are counted in bits: 0x0010 is one of 16 (RFC 3640 §3.2.1, check-values section 5)") {
  const auto one = decode_access_units(with_data("0010 0320", 100), high_rate());
  REQUIRE(one);
  CHECK(one->count == 1);
  CHECK_FALSE(one->fragment);
  const auto three = decode_access_units(with_data("0030 0320 0320 0190", 250), high_rate());
  REQUIRE(three);
  CHECK(three->count == 3);
}

TEST_CASE("a unit longer than its packet is a fragment when it is alone (RFC 3640 §3.2.3)") {
  const auto fragment = decode_access_units(with_data("0010 fff8", 1400), high_rate());  // 8191 octets, the longest
  REQUIRE(fragment);
  CHECK(fragment->fragment);
  CHECK_FALSE(decode_access_units(with_data("0020 fff8 0320", 1400), high_rate()));
}

TEST_CASE("sizes of 6 bits: mode AAC-lbr, one octet a header (RFC 3640 §3.3.5)") {
  AuHeaderFormat low_rate;
  low_rate.size_length = 6;
  low_rate.index_length = 2;
  low_rate.index_delta_length = 2;
  const auto two = decode_access_units(with_data("0010 28 28", 20), low_rate);
  REQUIRE(two);
  CHECK(two->count == 2);
}

TEST_CASE("without widths there is no header section; a constant size counts the units (RFC 3640 §3.3.4, §4.1)") {
  AuHeaderFormat constant;
  constant.constant_size = 24;
  CHECK(decode_access_units(std::vector<std::uint8_t>(72), constant)->count == 3);
  CHECK_FALSE(decode_access_units(std::vector<std::uint8_t>(73), constant));
  CHECK(decode_access_units(std::vector<std::uint8_t>(73), AuHeaderFormat{})->count == 1);
}

TEST_CASE("a section that lies about its length is refused") {
  for (const char* section : {"", "00", "0010", "0010 03", "ffff 0320", "0000 0320", "0011 0320 80"})
    CHECK_FALSE(decode_access_units(from_hex(section), high_rate()));
  AuHeaderFormat absurd = high_rate();
  absurd.size_length = 1000;
  CHECK_FALSE(decode_access_units(with_data("0010 0320", 100), absurd));
  std::mt19937 random(5);
  for (int i = 0; i < 20'000; ++i) {
    std::vector<std::uint8_t> noise(random() % 80);
    for (auto& octet : noise) octet = static_cast<std::uint8_t>(random());
    const auto units = decode_access_units(noise, high_rate());
    if (units) CHECK(units->count <= noise.size() / 2);
  }
}
