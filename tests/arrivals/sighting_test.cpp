// One frame a kind, through every link layer.
#include "probes/arrivals/sighting.hpp"

#include "tests/support/cuts.hpp"
#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using arrivals::sighting_of;
using test::for_each_cut;
using test::from_hex;
using wire::LinkLayer;

namespace {

using Frame = std::vector<std::uint8_t>;

const std::string to = "01005e0000fb", from = "020000000001";
// A probe for 192.0.2.10 (RFC 5227 §1.1; check-values section 12), from its EtherType on.
const std::string arp = "0806 0001 0800 06 04 0001 020000000001 00000000 000000000000 c000020a";
// A question for _rtsp._tcp.local over IPv4 and UDP; header checksum by RFC 1071.
const std::string mdns_payload = "0000 0000 0001 0000 0000 0000 055f72747370 045f746370 056c6f63616c 00 000c 0001";
const std::string mdns = "0800 4500003e 00000000 ff111905 c000020a e00000fb 14e914e9 002a0000" + mdns_payload;
const std::string mdns6 = "86dd 60000000002a11ff 20010db8000000000000000000000010 ff0200000000000000000000000000fb 14e914e9 002a0000" + mdns_payload;
const std::string lldp = "88cc 0207 04 020000000001 0406 05 706f727437 0602 0078 0000";
const std::string duplicate = "86dd 6000000000203aff 00000000000000000000000000000000 ff0200000000000000000001ff9abcde"
                              "8700992200000000 fe80000000000000365678fffe9abcde 0e0132b7a5abd450";

Frame ethernet(const std::string& rest, const std::string& tags = "") { return from_hex(to + from + tags + rest); }

std::optional<arrivals::Sighting> seen(const Frame& frame, LinkLayer link = LinkLayer::ethernet) {
  return sighting_of(frame, link, SystemTime(std::chrono::seconds(7)));
}

}  // namespace

TEST_CASE("each protocol is told apart, with who sent the frame and from which address") {
  const auto asked = seen(ethernet(arp));
  REQUIRE(asked);
  CHECK(asked->when == SystemTime(std::chrono::seconds(7)));
  CHECK(asked->source.text() == "02:00:00:00:00:01");
  CHECK(asked->vlans.empty());
  CHECK_FALSE(asked->sent_from);
  CHECK(std::get<wire::ArpPacket>(asked->said).kind == wire::ArpKind::probe);
  CHECK(std::get<wire::LldpNeighbour>(seen(ethernet(lldp))->said).port_id == "port7");
  const auto question = seen(ethernet(mdns));
  REQUIRE(question);
  CHECK(question->sent_from->text() == "192.0.2.10");
  CHECK(std::get<wire::DnsMessage>(question->said).questions.at(0).name == "_rtsp._tcp.local");
  CHECK(seen(ethernet(mdns6))->sent_from->text() == "2001:db8::10");
  const auto wanted = seen(ethernet(duplicate));
  REQUIRE(wanted);
  CHECK_FALSE(wanted->sent_from);  // "::" is nobody's
  CHECK(std::get<wire::Icmpv6Message>(wanted->said).kind == wire::Icmpv6Kind::duplicate_detection);
}

TEST_CASE("VLAN tags of every kind, outermost first; priority and drop bits are no part of the number (IEEE 802.1Q)") {
  for (const auto* protocol : {&arp, &mdns, &mdns6, &lldp, &duplicate}) {
    const auto found = seen(ethernet(*protocol, "88a8 6064 8100 f00a 9100 0001"));
    REQUIRE(found);
    CHECK(found->vlans == std::vector<std::uint16_t>{100, 10, 1});
    CHECK(found->source.text() == "02:00:00:00:00:01");
  }
  std::string nine;
  for (int i = 0; i < 9; ++i) nine += "8100 0001";
  CHECK_FALSE(seen(ethernet(arp, nine)));
}

TEST_CASE("Linux cooked captures, both versions, tell the sender's address (tcpdump.org/linktypes)") {
  for (const auto* protocol : {&arp, &mdns, &mdns6, &lldp, &duplicate}) {
    const auto first = seen(from_hex("0001 0001 0006 0200000000010000" + *protocol), LinkLayer::linux_cooked);
    REQUIRE(first);
    CHECK(first->source.text() == "02:00:00:00:00:01");
    CHECK(first->vlans.empty());
    const auto second = seen(from_hex(protocol->substr(0, 4) + "0000 00000003 0001 01 06 0200000000010000" + protocol->substr(4)),
                             LinkLayer::linux_cooked_v2);
    REQUIRE(second);
    CHECK(second->source.text() == "02:00:00:00:00:01");
    // The same behind a tag.
    CHECK(seen(from_hex("0001 0001 0006 0200000000010000 8100 000a" + *protocol), LinkLayer::linux_cooked)->vlans ==
          std::vector<std::uint16_t>{10});
    CHECK(seen(from_hex("8100 0000 00000003 0001 01 06 0200000000010000 000a" + *protocol), LinkLayer::linux_cooked_v2)->vlans ==
          std::vector<std::uint16_t>{10});
  }
  // Hardware that is no Ethernet: here the loopback's (772).
  CHECK(seen(from_hex("0000 0304 0006 0000000000000000" + mdns), LinkLayer::linux_cooked)->source.is_zero());
}

TEST_CASE("raw IP and loopback tell no hardware address") {
  CHECK(seen(from_hex(mdns.substr(4)), LinkLayer::raw_ip)->source.is_zero());
  CHECK(seen(from_hex(mdns6.substr(4)), LinkLayer::raw_ip)->sent_from->text() == "2001:db8::10");
  CHECK(seen(from_hex("02000000" + mdns.substr(4)), LinkLayer::null_loopback));
  CHECK(seen(from_hex("1e000000" + duplicate.substr(4)), LinkLayer::null_loopback));
  CHECK_FALSE(seen(from_hex(mdns.substr(4)), LinkLayer::unknown));
}

TEST_CASE("what is sent to or from a port of these is looked at, the rest is not") {
  const auto with_ports = [](const std::string& ports) {
    return seen(ethernet("0800 4500003e 00000000 ff111905 c000020a e00000fb" + ports + "002a0000" + mdns_payload));
  };
  CHECK(with_ports("c00014e9"));        // a one-shot question (RFC 6762 §5.1)
  CHECK(with_ports("14e9c000"));        // and its answer
  CHECK_FALSE(with_ports("c0000035"));  // unicast DNS is no arrival
  CHECK_FALSE(with_ports("0e760e76"));  // DNS is no WS-Discovery
  CHECK_FALSE(with_ports("00440043"));  // nor DHCP
}

TEST_CASE("what comes in fragments is told with its last piece (RFC 791 §3.2)") {
  // The question above, cut after 24 octets of its datagram, the second piece first.
  const auto first = ethernet("0800 4500002c 00072000 ff110000 c000020a e00000fb 14e914e9 002a0000" + mdns_payload.substr(0, 38));
  const auto second = ethernet("0800 45000026 00070003 ff110000 c000020a e00000fb" + mdns_payload.substr(38));
  CHECK_FALSE(seen(first));
  arrivals::SightingReader reader;
  CHECK_FALSE(reader.add(second, LinkLayer::ethernet, {}));
  const auto found = reader.add(first, LinkLayer::ethernet, SystemTime(std::chrono::seconds(1)));
  REQUIRE(found);
  CHECK(found->when == SystemTime(std::chrono::seconds(1)));
  CHECK(found->source.text() == "02:00:00:00:00:01");
  CHECK(found->sent_from->text() == "192.0.2.10");
  CHECK(std::get<wire::DnsMessage>(found->said).questions.at(0).name == "_rtsp._tcp.local");
  CHECK(reader.add(ethernet(mdns), LinkLayer::ethernet, {})->said == found->said);
}

TEST_CASE("a frame cut anywhere says nothing") {
  for (const auto* protocol : {&arp, &mdns, &mdns6, &duplicate})
    for_each_cut(ethernet(*protocol, "8100 000a"), [](const auto& cut) { CHECK_FALSE(seen(cut)); });
}

TEST_CASE("padding of a short frame is nobody's word") {
  for (const auto* protocol : {&arp, &mdns, &mdns6, &lldp, &duplicate})
    CHECK(seen(ethernet(*protocol + "00000000000000000000000000000000")));
}
