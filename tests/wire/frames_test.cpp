#include "probes/wire/arp.hpp"
#include "probes/wire/ethernet.hpp"

#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::wire;
using tallywire::test::from_hex;

namespace {

const char* const probe = "ffffffffffff 020000000001 0806 0001 0800 06 04 0001 020000000001 00000000 000000000000 c000020a";

}  // namespace

TEST_CASE("an ARP probe asks and owns nothing; an announcement owns (RFC 5227 §1.1; check-values section 12)") {
  const auto octets = from_hex(probe);
  const auto frame = decode_ethernet(octets);
  REQUIRE(frame);
  CHECK(frame->ether_type == 0x0806);  // RFC 826
  const auto asked = decode_arp(frame->payload);
  REQUIRE(asked);
  CHECK(asked->kind == ArpKind::probe);
  CHECK_FALSE(asked->owned());
  CHECK(text_of(asked->target_address) == "192.0.2.10");
  // Our own probe is the same frame to the octet.
  CHECK(encode_arp_request(*decode_mac("02:00:00:00:00:01"), std::nullopt, *decode_ipv4("192.0.2.10")) == octets);
  const auto announced = decode_arp(from_hex("0001 0800 06 04 0001 020000000001 c000020a 000000000000 c000020a"));
  CHECK(announced->kind == ArpKind::announcement);
  CHECK(text_of(*announced->owned()) == "192.0.2.10");
}

TEST_CASE("ARP's numbers (RFC 826; check-values section 12): hardware 1, length 6, request 1, reply 2") {
  const auto arp = [](const char* head) {
    return decode_arp(from_hex(std::string(head) + "020000000001 c000020a 020000000002 c000020b"));
  };
  CHECK(arp("0001 0800 06 04 0001")->kind == ArpKind::request);
  CHECK(arp("0001 0800 06 04 0002")->kind == ArpKind::reply);
  for (const auto* other : {"0006 0800 06 04 0001", "0001 86dd 06 04 0001", "0001 0800 08 04 0001", "0001 0800 06 04 0003"})
    CHECK_FALSE(arp(other));
}

TEST_CASE("stacked VLAN tags are taken off; a frame cut anywhere is refused") {
  const auto octets = from_hex("ffffffffffff 020000000001 88a8 0064 8100 000a 0806 aabb");
  const auto frame = decode_ethernet(octets);
  REQUIRE(frame);
  CHECK(frame->vlans == std::vector<std::uint16_t>{100, 10});
  for (std::size_t length = 0; length < 22; ++length) CHECK_FALSE(decode_ethernet(Octets(octets).first(length)));
}
