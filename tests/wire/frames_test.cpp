#include "probes/wire/arp.hpp"
#include "probes/wire/ethernet.hpp"
#include "probes/wire/lldp.hpp"

#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::wire;
using tallywire::test::from_hex;

namespace {

const char* const probe = "ffffffffffff 020000000001 0806 0001 0800 06 04 0001 020000000001 00000000 000000000000 c000020a";
const char* const mandatory = "0207 04 020000000001 0406 05 706f727437 0602 0078";

LldpNeighbour neighbour(const std::string& more) {
  const auto found = decode_lldp(from_hex(mandatory + more + "0000"));
  REQUIRE(found);
  return *found;
}

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

TEST_CASE("stacked VLAN tags are taken off; a frame cut anywhere is refused") {
  const auto octets = from_hex("ffffffffffff 020000000001 88a8 0064 8100 000a 0806 aabb");
  const auto frame = decode_ethernet(octets);
  REQUIRE(frame);
  CHECK(frame->vlans == std::vector<std::uint16_t>{100, 10});
  for (std::size_t length = 0; length < 22; ++length) CHECK_FALSE(decode_ethernet(Octets(octets).first(length)));
}

TEST_CASE("LLDP's mandatory TLVs (IEEE 802.1AB §8.5; check-values section 9)") {
  const auto found = neighbour("0e04 0014 0004");
  CHECK(found.chassis_id == "02:00:00:00:00:01");
  CHECK(found.port_id == "port7");
  CHECK(found.time_to_live_s == 120);
  CHECK(found.capabilities == 0x0014);  // bridge and router
  CHECK(found.enabled_capabilities == 0x0004);
}

TEST_CASE("LLDP MAC/PHY: 1000BASE-T full, MAU type 30 (IEEE 802.3 §79.3.1; check-values section 9)") {
  const auto found = neighbour("fe09 00120f 01 03 6c01 001e");
  REQUIRE(found.mac_phy);
  CHECK(found.mac_phy->negotiation_enabled);
  CHECK(found.mac_phy->advertised == 0x6c01);
  CHECK(found.mac_phy->mau_type == 30);
}

TEST_CASE("LLDP power TLVs of 7, 12 and 29 octets (IEEE 802.3 §79.3.2; check-values section 9)") {
  const auto old_form = neighbour("fe07 00120f 02 07 01 04");
  REQUIRE(old_form.power);
  CHECK(old_form.power->is_source);
  CHECK(old_form.power->power_class == 3);  // the wire carries class + 1
  CHECK_FALSE(old_form.power->requested_w);
  const auto at = neighbour("fe0c 00120f 02 07 01 05 13 00ff 00ff");
  CHECK(at.power->power_class == 4);
  CHECK(at.power->requested_w == 25.5);
  CHECK(at.power->allocated_w == 25.5);
  const auto unit = neighbour("fe0c 00120f 02 00 01 05 52 00c8 00c8");
  CHECK_FALSE(unit.power->is_source);
  CHECK(unit.power->requested_w == 20.0);
  const auto dual = neighbour("fe1d 00120f 02 0f 01 05 13 02c6 01fe 0163 0163 00ff 00ff ce4f 00 01fe 00 000000");
  CHECK(dual.power->requested_w == 71.0);
  CHECK(dual.power->allocated_w == 51.0);
  CHECK(dual.power->extended_class == 15);
  CHECK(dual.power->maximum_w == 51.0);
  const auto single = neighbour("fe1d 00120f 02 0f 01 05 13 01fe 01c2 0000 0000 0000 0000 8ff6 00 0258 00 000000");
  CHECK(single.power->extended_class == 6);
  CHECK(single.power->maximum_w == 60.0);
}

TEST_CASE("LLDP cut anywhere is refused or read, never past its end") {
  const auto octets = from_hex(std::string(mandatory) + "fe0c 00120f 02 07 01 05 13 00ff 00ff 0000");
  for (std::size_t length = 0; length < octets.size(); ++length) decode_lldp(Octets(octets).first(length));
  CHECK_FALSE(decode_lldp(from_hex("0406 05 706f727437 0602 0078 0000")));
}
