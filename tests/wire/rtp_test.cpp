#include "probes/wire/rtp.hpp"

#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

#include <random>

using namespace tallywire::wire;
using tallywire::test::from_hex;

namespace {

std::vector<bool> accepted(SequenceValidity& source, std::initializer_list<int> arrivals) {
  std::vector<bool> out;
  for (const int sequence : arrivals) out.push_back(source.update(static_cast<std::uint16_t>(sequence)));
  return out;
}

}  // namespace

TEST_CASE("sequence numbers over the wrap: RFC 3550 A.1 with A.3") {
  // Check-values section 2, first row of the sequence table (computed).
  SequenceValidity source;
  CHECK(accepted(source, {65533, 65534, 65535, 0, 1, 3, 4, 6}) == std::vector<bool>{0, 1, 1, 1, 1, 1, 1, 1});
  CHECK(source.base() == 65534);
  CHECK(source.expected() == 9);
  CHECK(source.lost() == 2);
  CHECK(fraction_lost(source.expected(), source.lost()) == 56);
  CHECK(source.extended_highest() == 0x00010006);
}

TEST_CASE("a duplicate counts as received, so loss can go below zero: RFC 3550 §6.4.1, A.3") {
  SequenceValidity source;  // check-values section 2, second row
  accepted(source, {100, 101, 102, 103, 104, 106, 107, 105, 108, 108});
  CHECK(source.expected() == 8);
  CHECK(source.lost() == -1);
  CHECK(fraction_lost(source.expected(), source.lost()) == 0);
}

TEST_CASE("a jump is refused until a second packet confirms it: RFC 3550 A.1") {
  SequenceValidity restarted;  // check-values section 2, third row
  CHECK(accepted(restarted, {10, 11, 12, 5000, 5001, 5002}) == std::vector<bool>{0, 1, 1, 0, 1, 1});
  CHECK(restarted.base() == 5001);
  CHECK(restarted.expected() == 2);
  SequenceValidity dropped;  // fourth row: a long loss is no restart
  accepted(dropped, {10, 11, 12, 2900});
  CHECK(dropped.expected() == 2890);
  CHECK(dropped.lost() == 2887);
  CHECK(fraction_lost(dropped.expected(), dropped.lost()) == 255);
}

TEST_CASE("the limits of a jump: MAX_DROPOUT 3000, MAX_MISORDER 100 (RFC 3550 A.1)") {
  SequenceValidity a, b, c, d;
  CHECK(accepted(a, {0, 1, 3000}).back());
  CHECK_FALSE(accepted(b, {0, 1, 3001}).back());
  CHECK(accepted(c, {200, 201, 102}).back());
  CHECK_FALSE(accepted(d, {200, 201, 101}).back());
}

TEST_CASE("fraction lost and the clamp of the cumulative loss: RFC 3550 A.3") {
  CHECK(fraction_lost(100, 4) == 10);
  CHECK(fraction_lost(256, 1) == 1);
  CHECK(fraction_lost(1000, 1) == 0);
  CHECK(clamp_cumulative(1LL << 40) == 0x7fffff);
  CHECK(clamp_cumulative(-(1LL << 40)) == -0x800000);
}

TEST_CASE("jitter, worked at 90 kHz: RFC 3550 §6.4.1, A.8") {
  // Check-values section 2, jitter table (computed).
  const std::uint32_t rtp[] = {0, 3600, 7200, 10800, 14400, 18000};
  const std::uint32_t arrival[] = {1000, 4600, 8650, 11800, 15130, 19000};
  const double expected[] = {0, 0, 28.125, 54.4921875, 67.96142578125, 80.58883666992188};
  Jitter jitter;
  for (int i = 0; i < 6; ++i) {
    jitter.add(rtp[i], arrival[i]);
    CHECK(jitter.value() == Approx(expected[i]).epsilon(1e-12));
  }
  CHECK(jitter.value() * 1000 / 90000 == Approx(0.8954).epsilon(1e-4));
}

TEST_CASE("jitter at 8 kHz, at a constant difference, and over the wrap of the time stamp") {
  Jitter audio;  // check-values section 2
  const std::uint32_t arrival[] = {0, 160, 336, 480, 656, 800};
  const double expected[] = {0, 0, 1, 1.9375, 2.81640625, 3.640380859375};
  for (std::uint32_t i = 0; i < 6; ++i) {
    audio.add(i * 160, arrival[i]);
    CHECK(audio.value() == Approx(expected[i]));
  }
  Jitter constant;  // |D| = 90: after n steps J = 90 (1 - (15/16)^n); 57.9533 after 16
  constant.add(0, 0);
  for (std::uint32_t n = 1; n <= 16; ++n) constant.add(0, n * 90);
  CHECK(constant.value() == Approx(57.9533).epsilon(1e-5));
  Jitter wrap;
  wrap.add(0xfffff8f8, 100);
  wrap.add(0x00000708, 3700);
  CHECK(wrap.value() == 0);
}

TEST_CASE("an RTP header with CSRC, extension and padding is taken apart") {
  // RFC 3550 §5.1, §5.3.1: version 2, padding, extension, one CSRC; marker, type 96.
  const auto packet = from_hex("b1e0 1234 00015f90 11111111 22222222 abcd0001 deadbeef 0102 0000 04");
  const auto rtp = decode_rtp(packet);
  REQUIRE(rtp);
  CHECK(rtp->marker);
  CHECK(rtp->payload_type == 96);
  CHECK(rtp->sequence == 0x1234);
  CHECK(rtp->timestamp == 90000);
  CHECK(rtp->ssrc == 0x11111111);
  CHECK(std::vector<std::uint8_t>(rtp->payload.begin(), rtp->payload.end()) == from_hex("01"));
  CHECK(rtp->extended);
  CHECK(rtp->extension_profile == 0xabcd);
  CHECK(std::vector<std::uint8_t>(rtp->extension.begin(), rtp->extension.end()) == from_hex("deadbeef"));
}

TEST_CASE("an RTP packet cut anywhere is refused or whole, never read past its end") {
  const auto packet = from_hex("b1e0 1234 00015f90 11111111 22222222 abcd0001 deadbeef 0102 0000 04");
  for (std::size_t length = 0; length < packet.size(); ++length) {
    const std::vector<std::uint8_t> cut(packet.begin(), packet.begin() + static_cast<std::ptrdiff_t>(length));
    const auto rtp = decode_rtp(cut);
    if (rtp) CHECK(rtp->payload.size() <= length);
  }
  std::mt19937 random(1);
  for (int i = 0; i < 20000; ++i) {
    std::vector<std::uint8_t> noise(random() % 64);
    for (auto& octet : noise) octet = static_cast<std::uint8_t>(random());
    decode_rtp(noise);
  }
}
