#include "probes/wire/rtcp.hpp"

#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::wire;
using tallywire::test::from_hex;

TEST_CASE("a sender report decodes: RFC 3550 §6.4.1") {
  // Check-values section 2, "SR decode" (decoded by an independent decoder).
  const auto compound = decode_rtcp(from_hex("80c80006 11111111 b44db705 20000000 00015f90 000003e8 00155cc0"));
  REQUIRE(compound);
  REQUIRE(compound->sender_reports.size() == 1);
  const auto& report = compound->sender_reports[0];
  CHECK(report.rtp_time == 90000);
  CHECK(report.packets == 1000);
  CHECK(report.payload_octets == 1'400'000);
  // LSR from an NTP time: RFC 3550 §6.4.1 Fig. 2.
  CHECK(middle_of(report.ntp_time) == 0xb7052000);
}

TEST_CASE("a receiver report decodes: RFC 3550 §6.4.2") {
  const auto compound =
      decode_rtcp(from_hex("81c90007 11111111 22222222 0a000004 000104b0 00000050 b7052000 00054000"));
  REQUIRE(compound);
  REQUIRE(compound->receiver_reports.size() == 1);
  const auto& block = compound->receiver_reports[0].reports.at(0);
  CHECK(block.fraction_lost == 10);
  CHECK(block.cumulative_lost == 4);
  CHECK(block.extended_highest == 66'736);
  CHECK(block.jitter == 80);
  CHECK(block.delay_since_sr / 65536.0 == 5.25);
}

TEST_CASE("the round trip of RFC 3550 §6.4.1 Fig. 2 is 6.125 s") {
  CHECK(round_trip(0xb7108000, 0xb7052000, 0x00054000) == 0x00062000);
  CHECK(0x00062000 / 65536.0 == 6.125);
}

TEST_CASE("a receiver report is encoded with the octets that it decodes from") {
  ReportBlock block;
  block.ssrc = 0x22222222;
  block.fraction_lost = 10;
  block.cumulative_lost = -4;
  block.extended_highest = 66'736;
  block.jitter = 80;
  block.last_sr = 0xb7052000;
  block.delay_since_sr = 0x00054000;
  const auto octets = encode_receiver_report(0x11111111, block, "tallywire");
  // RR with one block: 8 + 24 octets, length field 7 (RFC 3550 §6.4.2); then SDES.
  CHECK(std::vector<std::uint8_t>(octets.begin(), octets.begin() + 4) == from_hex("81c90007"));
  CHECK(octets.size() % 4 == 0);
  const auto back = decode_rtcp(octets);
  REQUIRE(back);
  CHECK(back->receiver_reports.at(0).reports.at(0).cumulative_lost == -4);
}

TEST_CASE("a compound cut anywhere is refused") {
  const auto whole = from_hex("81c90007 11111111 22222222 0a000004 000104b0 00000050 b7052000 00054000");
  for (std::size_t length = 1; length < whole.size(); ++length)
    CHECK_FALSE(decode_rtcp(Octets(whole).first(length)));
}
