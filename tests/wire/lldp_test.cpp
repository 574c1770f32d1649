#include "probes/wire/lldp.hpp"

#include "tests/support/cuts.hpp"
#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::wire;
using tallywire::test::for_each_cut;
using tallywire::test::from_hex;

namespace {

const std::string mandatory = "0207 04 020000000001 0406 05 706f727437 0602 0078";
const std::string dual_signature = "fe1d 00120f 02 0f 01 05 13 02c6 01fe 0163 0163 00ff 00ff ce4f 00 01fe 00 000000";
const std::string single_signature = "fe1d 00120f 02 0f 01 05 13 01fe 01c2 0000 0000 0000 0000 8ff6 00 0258 00 000000";

LldpNeighbour neighbour(const std::string& more) {
  const auto found = decode_lldp(from_hex(mandatory + more + "0000"));
  REQUIRE(found);
  return *found;
}

LldpPower power(const std::string& tlv) {
  const auto found = neighbour(tlv);
  REQUIRE(found.power);
  return *found.power;
}

}  // namespace

TEST_CASE("LLDP's mandatory TLVs (IEEE 802.1AB §8.5; check-values section 9)") {
  const auto found = neighbour("0e04 0014 0004");
  CHECK(found.chassis_subtype == 4);
  CHECK(found.chassis_id == "02:00:00:00:00:01");
  CHECK(found.port_subtype == 5);
  CHECK(found.port_id == "port7");
  CHECK(found.time_to_live_s == 120);  // 30 s × 4, LLDP-MIB (lldpMessageTxHoldMultiplier)
  CHECK(found.capabilities == 0x0014);  // bridge and router
  CHECK(found.enabled_capabilities == 0x0004);
}

TEST_CASE("a TLV's head has 7 bits of type and 9 of length (IEEE 802.1AB §8; check-values section 9)") {
  // 0x0207: chassis id of 7; 0xfe0c: an organisation's of 12, told by what follows being read right.
  CHECK(neighbour("fe0c 00120f 02 07 01 05 13 00ff 00ff 0a01 61").system_name == "a");
  // 0x09ff: a port description of 511 octets, the most there is.
  std::string longest = "09ff";
  for (int i = 0; i < 511; ++i) longest += "62";
  CHECK(neighbour(longest).port_description == std::string(511, 'b'));
}

TEST_CASE("chassis and port subtypes differ in where addresses stand (LLDP-MIB; check-values section 9)") {
  const auto ids = [](const std::string& chassis, const std::string& port) {
    const auto found = decode_lldp(from_hex(chassis + port + "0602 0078 0000"));
    REQUIRE(found);
    return std::pair(found->chassis_id, found->port_id);
  };
  CHECK(ids("0207 04 020000000001", "0407 03 020000000002") == std::pair<std::string, std::string>("02:00:00:00:00:01", "02:00:00:00:00:02"));
  CHECK(ids("0206 05 01 c000020a", "0406 04 01 c000020b") == std::pair<std::string, std::string>("192.0.2.10", "192.0.2.11"));
  CHECK(ids("0212 05 02 20010db8000000000000000000000010", "0405 07 706f7274").first == "2001:db8::10");
  // In the other's place they are names.
  for (const auto* subtype : {"01", "02", "03", "06", "07"})
    CHECK(ids("0205 " + std::string(subtype) + " 74726163", "0402 05 61").first == "trac");
  for (const auto* subtype : {"01", "02", "05", "06", "07"})
    CHECK(ids("0202 07 61", "0405 " + std::string(subtype) + " 706f7274").second == "port");
  // Octets under a name's subtype, as some units have them (common practice).
  CHECK(ids("0207 07 0200000000ff", "0403 07 0001") == std::pair<std::string, std::string>("02:00:00:00:00:ff", "00:01"));
}

TEST_CASE("LLDP: a mandatory TLV that is missing, out of order or there twice voids the frame (IEEE 802.1AB §9.2.7.7)") {
  CHECK_FALSE(decode_lldp(from_hex("0406 05 706f727437 0602 0078 0000")));
  CHECK_FALSE(decode_lldp(from_hex("0406 05 706f727437 0207 04 020000000001 0602 0078 0000")));
  CHECK_FALSE(decode_lldp(from_hex("0207 04 020000000001 0406 05 706f727437 0000")));
  CHECK_FALSE(decode_lldp(from_hex(mandatory + "0602 0078 0000")));
  CHECK_FALSE(decode_lldp(from_hex(mandatory + "0207 04 020000000001 0000")));
  CHECK_FALSE(decode_lldp(from_hex("0201 04 0406 05 706f727437 0602 0078 0000")));  // an id has one octet at least
  CHECK(decode_lldp(from_hex("0207 04 020000000001 0406 05 706f727437 0602 0000 0000"))->time_to_live_s == 0);  // withdraws
}

TEST_CASE("LLDP MAC/PHY: 1000BASE-T full, MAU type 30 (IEEE 802.3 §79.3.1; check-values section 9)") {
  const auto found = neighbour("fe09 00120f 01 03 6c01 001e");
  REQUIRE(found.mac_phy);
  CHECK(found.mac_phy->negotiation_supported);
  CHECK(found.mac_phy->negotiation_enabled);
  CHECK(found.mac_phy->advertised == 0x6c01);  // counted from the most significant bit: see section 0
  CHECK((found.mac_phy->advertised & 0x8000) == 0);
  CHECK(found.mac_phy->mau_type == 30);
}

TEST_CASE("LLDP power in 7 octets: the class on the wire is class + 1 (IEEE 802.1AB-2005 Annex G; check-values section 9)") {
  const auto old_form = power("fe07 00120f 02 07 01 04");
  CHECK(old_form.is_source);
  CHECK(old_form.supported);
  CHECK(old_form.enabled);
  CHECK_FALSE(old_form.pairs_selectable);
  CHECK(old_form.pairs == 1);
  CHECK(old_form.power_class == 3);
  CHECK_FALSE(old_form.type);
  CHECK_FALSE(old_form.requested_w);
  CHECK_FALSE(old_form.extension);
  CHECK(power("fe07 00120f 02 08 02 05").pairs_selectable);  // bit 3
  CHECK(power("fe07 00120f 02 08 02 05").power_class == 4);
  CHECK(power("fe07 00120f 02 08 02 01").power_class == 0);
  for (const auto* none : {"00", "06", "ff"}) CHECK_FALSE(power("fe07 00120f 02 08 02 " + std::string(none)).power_class);
}

TEST_CASE("LLDP power in 12 octets (IEEE 802.3 §79.3.2; check-values section 9)") {
  const auto source = power("fe0c 00120f 02 07 01 05 13 00ff 00ff");
  CHECK(source.power_class == 4);
  CHECK(source.type == 2);
  CHECK(source.type_is_source);
  CHECK(source.source == 1);    // primary
  CHECK(source.priority == 3);  // low
  CHECK(source.requested_w == 25.5);
  CHECK(source.allocated_w == 25.5);
  CHECK_FALSE(source.extension);
  const auto unit = power("fe0c 00120f 02 00 01 05 52 00c8 00c8");
  CHECK_FALSE(unit.is_source);
  CHECK(unit.type == 2);
  CHECK_FALSE(unit.type_is_source);
  CHECK(unit.source == 1);    // fed by the PSE
  CHECK(unit.priority == 2);  // high
  CHECK(unit.requested_w == 20.0);
  CHECK(unit.allocated_w == 20.0);
  // 10 and 11: type 1 PSE and PD (from memory).
  CHECK(power("fe0c 00120f 02 07 01 05 91 00ff 00ff").type == 1);
  CHECK(power("fe0c 00120f 02 07 01 05 91 00ff 00ff").type_is_source);
  CHECK_FALSE(power("fe0c 00120f 02 07 01 05 d1 00ff 00ff").type_is_source);
}

TEST_CASE("LLDP power in 29 octets, dual signature (IEEE 802.3bt §79.3.2; check-values section 9)") {
  const auto dual = power(dual_signature);
  CHECK(dual.requested_w == 71.0);
  CHECK(dual.allocated_w == 51.0);
  CHECK(dual.maximum_w == 51.0);
  CHECK(dual.extended_class == 15);
  REQUIRE(dual.extension);
  CHECK(dual.extension->requested_a_w == 35.5);
  CHECK(dual.extension->requested_b_w == 35.5);
  CHECK(dual.extension->allocated_a_w == 25.5);
  CHECK(dual.extension->allocated_b_w == 25.5);
  CHECK(dual.extension->powering == 3);
  CHECK(dual.extension->powered == 0);
  CHECK(dual.extension->pairs == 3);
  CHECK(dual.extension->class_a == 4);
  CHECK(dual.extension->class_b == 4);
  CHECK_FALSE(dual.class_in_force());
  CHECK(dual.meaning() == "4-pair powering, dual-signature unit, class 4 on A, class 4 on B");
}

TEST_CASE("LLDP power in 29 octets, single signature (IEEE 802.3bt §79.3.2; check-values section 9)") {
  const auto single = power(single_signature);
  CHECK(single.requested_w == 51.0);
  CHECK(single.allocated_w == 45.0);
  CHECK(single.maximum_w == 60.0);
  CHECK(single.extended_class == 6);
  REQUIRE(single.extension);
  CHECK(single.extension->powering == 2);
  CHECK(single.extension->powered == 0);
  CHECK(single.extension->pairs == 3);
  CHECK(single.extension->class_a == 7);
  CHECK(single.extension->class_b == 7);
  CHECK(single.class_in_force() == 6);  // although the old octet says 4
  CHECK(single.meaning() == "4-pair powering, single-signature unit of class 6");
}

TEST_CASE("LLDP power in 29 octets: the rest of its bits (IEEE 802.3bt §79.3.2, places as Wireshark's LLDP dissector has them)") {
  const auto unit = power("fe1d 00120f 02 00 01 05 57 02c6 01fe 0000 0000 0000 0000 1c78 05 0000 07 740e10");
  CHECK(unit.takes_both_modes);
  CHECK(unit.priority == 3);
  CHECK(unit.extension->powered == 1);
  CHECK(unit.extension->type == 2);  // PD of type 3, single signature
  CHECK(unit.extension->isolated);
  CHECK(unit.extension->autoclass_supported);
  CHECK(unit.extension->autoclass_done);
  CHECK(unit.extension->autoclass_asked);
  CHECK(unit.extension->power_down == 0x1d);
  CHECK(unit.extension->power_down_s == 3600);
  CHECK(unit.class_in_force() == 8);
  CHECK(unit.meaning() == "powered, single-signature unit of class 8");
}

TEST_CASE("LLDP of 802.3 and 802.1: aggregation, frame size, VLANs (802.3 §79.3, 802.1Q Annex D)") {
  const auto found = neighbour("fe09 00120f 03 03 00000007 fe06 00120f 04 05f2 fe06 0080c2 01 000a fe0b 0080c2 03 000a 04 74726163"
                               "fe0b 0080c2 03 0014 04 73746f70");
  REQUIRE(found.aggregation);
  CHECK(found.aggregation->capable);
  CHECK(found.aggregation->aggregated);
  CHECK(found.aggregation->port == 7);
  CHECK(found.maximum_frame_octets == 1522);
  CHECK(found.port_vlan == 10);
  REQUIRE(found.vlans.size() == 2);
  CHECK(found.vlans[0].id == 10);
  CHECK(found.vlans[0].name == "trac");
  CHECK(found.vlans[1].name == "stop");
  CHECK_FALSE(neighbour("fe06 0080c2 01 0000").port_vlan);
  CHECK(neighbour("fe09 0080c2 07 01 00000000").aggregation->capable);
  // A name longer than its TLV is not taken.
  CHECK(neighbour("fe0b 0080c2 03 000a ff 74726163").vlans.empty());
}

TEST_CASE("LLDP-MED inventory and power (ANSI/TIA-1057 §10.2.5, §10.2.6)") {
  const auto found = neighbour(
      "fe06 0012bb 05 6831 fe06 0012bb 06 6632 fe06 0012bb 07 7333 fe06 0012bb 08 6e34 fe06 0012bb 09 6d35 fe06 0012bb 0a 6f36"
      "fe06 0012bb 0b 6137 fe07 0012bb 04 53 00ff");
  CHECK(found.inventory.hardware == "h1");
  CHECK(found.inventory.firmware == "f2");
  CHECK(found.inventory.software == "s3");
  CHECK(found.inventory.serial == "n4");
  CHECK(found.inventory.manufacturer == "m5");
  CHECK(found.inventory.model == "o6");
  CHECK(found.inventory.asset == "a7");
  REQUIRE(found.med_power);
  CHECK_FALSE(found.med_power->is_source);
  CHECK(found.med_power->source == 1);
  CHECK(found.med_power->priority == 3);
  CHECK(found.med_power->power_w == 25.5);
}

TEST_CASE("LLDP: all management addresses (IEEE 802.1AB §8.5.9)") {
  const auto found = neighbour("100c 05 01 c000020a 02 00000007 00 1018 11 02 20010db8000000000000000000000010 03 00000002 00"
                               "100e 07 06 020000000001 01 00000000 00");
  REQUIRE(found.management.size() == 3);
  CHECK(found.management_address == "192.0.2.10");
  CHECK(found.management[0].numbering == 2);
  CHECK(found.management[0].interface == 7);
  CHECK(found.management[1].address == "2001:db8::10");
  CHECK(found.management[2].address == "02:00:00:00:00:01");
  std::string many;
  for (int i = 0; i < 40; ++i) many += "100c 05 01 c000020a 02 00000007 00";
  CHECK(neighbour(many).management.size() == 16);
}

TEST_CASE("LLDP cut anywhere is refused, or says no more than the whole") {
  const auto octets = from_hex(mandatory + "0e04 0014 0004 0a04 74726163 100c 05 01 c000020a 02 00000007 00 fe09 00120f 01 03 6c01 001e" +
                               dual_signature + "fe0b 0080c2 03 000a 04 74726163 fe06 0012bb 08 6e34 0000");
  REQUIRE(decode_lldp(octets)->inventory.serial == "n4");
  for_each_cut(octets, [&](const auto& cut) {
    const auto found = decode_lldp(cut);
    CAPTURE(cut.size());
    if (!found) return;
    CHECK(found->chassis_id == "02:00:00:00:00:01");
    CHECK((found->system_name.empty() || found->system_name == "trac"));
    CHECK((!found->power || (found->power->extension && found->power->maximum_w == 51.0)));
    CHECK((found->vlans.empty() || found->vlans[0].name == "trac"));
    CHECK((found->inventory.serial.empty() || found->inventory.serial == "n4"));
    CHECK(found->management.size() <= 1);
  });
}
