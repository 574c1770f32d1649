#include "probes/path/udp_packet.hpp"

#include <catch2/catch.hpp>

#include <vector>

using namespace tallywire::path;
using tallywire::wire::Octets;

namespace {

// HMAC-SHA-256 (RFC 2104) of "UDP session 00112233" with the key "0123456789abcdef", by: printf … | openssl dgst -sha256 -hmac …
const std::vector<std::uint8_t> known_token = {0x2f, 0xa1, 0xec, 0x3d, 0xb3, 0xc1, 0x70, 0xa4, 0xe8, 0xe8, 0x11, 0x19, 0x56, 0x52, 0x5b, 0xf7};

std::vector<std::uint8_t> octets_of(const UdpPacket& packet, const UdpToken& token) {
  std::vector<std::uint8_t> out(udp_head_octets + 10);
  encode_udp_head(packet, token, out.data());
  return out;
}

UdpPacket train_packet() {
  UdpPacket packet;
  packet.kind = UdpKind::train;
  packet.trial = 0x0102;
  packet.sequence = 0x03040506;
  packet.packets = 0x03040507;
  packet.sent_ns = 0x1112131415161718;
  return packet;
}

}  // namespace

TEST_CASE("the token is the keyed hash that openssl computes") {
  const auto token = udp_token("0123456789abcdef", "00112233");
  CHECK(std::vector<std::uint8_t>(token.begin(), token.end()) == known_token);
}

TEST_CASE("a packet is laid out as its header says") {
  const auto token = udp_token("0123456789abcdef", "00112233");
  UdpPacket packet = train_packet();
  packet.sequence = 0x00040506;
  packet.packets = 0x00040507;
  const auto octets = octets_of(packet, token);
  const std::vector<std::uint8_t> head(octets.begin() + 16, octets.begin() + 36);
  CHECK(head == std::vector<std::uint8_t>{4, 0, 1, 2, 0, 4, 5, 6, 0, 4, 5, 7, 0x11, 0x12, 0x13, 0x14, 0x15, 0x16, 0x17, 0x18});
  const auto again = decode_udp_packet(octets, token);
  REQUIRE(again);
  CHECK(again->kind == UdpKind::train);
  CHECK(again->trial == 0x0102);
  CHECK(again->sequence == 0x00040506);
  CHECK(again->packets == 0x00040507);
  CHECK(again->sent_ns == 0x1112131415161718);
}

TEST_CASE("a stranger's packet, and one that is malformed, counts nowhere") {
  const auto token = udp_token("0123456789abcdef", "00112233");
  UdpPacket good = train_packet();
  good.sequence = 5;
  good.packets = 6;
  const auto octets = octets_of(good, token);
  REQUIRE(decode_udp_packet(octets, token));
  SECTION("another session's token") { CHECK_FALSE(decode_udp_packet(octets, udp_token("0123456789abcdef", "00112234"))); }
  SECTION("another key's token") { CHECK_FALSE(decode_udp_packet(octets, udp_token("0123456789abcdeg", "00112233"))); }
  SECTION("cut short, at every length") {
    for (std::size_t length = 0; length < udp_head_octets; ++length) CHECK_FALSE(decode_udp_packet(Octets(octets).first(length), token));
  }
  SECTION("one bit of the token") {
    for (std::size_t i = 0; i < 16; ++i) {
      auto bent = octets;
      bent[i] ^= 1;
      CHECK_FALSE(decode_udp_packet(bent, token));
    }
  }
  SECTION("a kind that nobody knows") {
    for (const int kind : {0, 5, 255}) {
      auto bent = octets;
      bent[16] = static_cast<std::uint8_t>(kind);
      CHECK_FALSE(decode_udp_packet(bent, token));
    }
  }
  SECTION("a sequence beyond its trial, a trial beyond all bounds") {
    auto bent = good;
    bent.sequence = bent.packets;
    CHECK_FALSE(decode_udp_packet(octets_of(bent, token), token));
    bent.packets = most_trial_packets + 1;
    bent.sequence = 0;
    CHECK_FALSE(decode_udp_packet(octets_of(bent, token), token));
    bent.packets = 0;
    CHECK_FALSE(decode_udp_packet(octets_of(bent, token), token));
  }
}
