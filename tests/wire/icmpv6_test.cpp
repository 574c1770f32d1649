// The packets: the Linux kernel's own, captured in a namespace, whose checksums tshark found right.
#include "probes/wire/icmpv6.hpp"

#include "tests/support/cuts.hpp"
#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::wire;
using tallywire::test::for_each_cut;
using tallywire::test::from_hex;

namespace {

// A card whose address is that of RFC 2464 §4 asks for its own first address.
const std::string duplicate = "6000000000203aff 00000000000000000000000000000000 ff0200000000000000000001ff9abcde"
                              "8700992200000000 fe80000000000000365678fffe9abcde 0e0132b7a5abd450";
const std::string solicitation = "6000000000203aff 20010db8000000000000000000000010 ff0200000000000000000001ff000001"
                                 "8700b44b00000000 20010db8000000000000000000000001 0101 3456789abcde";
const std::string advertisement = "6000000000203aff 20010db8000000000000000000000001 20010db8000000000000000000000010"
                                  "88008a6460000000 20010db8000000000000000000000001 0201 020000000002";
const std::string router_solicitation = "6000000000103aff fe80000000000000365678fffe9abcde ff020000000000000000000000000002"
                                        "8500a78f00000000 0101 3456789abcde";
const std::string joined = "6000000000380001 fe80000000000000365678fffe9abcde ff020000000000000000000000000016 3a00050200000100"
                           "8f00469700000002 04000000 ff0200000000000000000001ff000010 04000000 ff0200000000000000000001ff9abcde";
const std::string left = "6000000000240001 fe80000000000000365678fffe9abcde ff020000000000000000000000000016 3a00050200000100"
                         "8f00072a00000001 03000000 ff0200000000000000000001ff000010";
const std::string* const examples[] = {&duplicate, &solicitation, &advertisement, &router_solicitation, &joined, &left};

Icmpv6Message decoded(const std::string& hex) {
  const auto found = decode_icmpv6(from_hex(hex));
  REQUIRE(found);
  return *found;
}

// With a checksum that fits (RFC 1071 §4.1), so that what is refused is refused for what it says.
std::vector<std::uint8_t> summed(const std::string& hex, std::size_t message_at = 40) {
  auto octets = from_hex(hex);
  octets[message_at + 2] = octets[message_at + 3] = 0;
  std::uint32_t sum = 58 + static_cast<std::uint32_t>(octets.size() - message_at);
  const auto add = [&](std::size_t from, std::size_t to) {
    for (auto i = from; i < to; i += 2) sum += static_cast<std::uint32_t>(octets[i] << 8 | octets[i + 1]);
  };
  add(8, 40);
  add(message_at, octets.size());
  while (sum > 0xffff) sum = (sum & 0xffff) + (sum >> 16);
  octets[message_at + 2] = static_cast<std::uint8_t>(~sum >> 8);
  octets[message_at + 3] = static_cast<std::uint8_t>(~sum);
  return octets;
}

}  // namespace

TEST_CASE("duplicate address detection: wanted, not yet owned (RFC 4862 §5.4.2; RFC 2464 §4; check-values section 12)") {
  const auto found = decoded(duplicate);
  CHECK(found.kind == Icmpv6Kind::duplicate_detection);
  CHECK(found.target->text() == "fe80::3656:78ff:fe9a:bcde");      // RFC 2464 §4
  CHECK(found.destination.text() == "ff02::1:ff9a:bcde");          // RFC 4291 §2.7.1
  CHECK_FALSE(found.link_layer);
  CHECK_FALSE(found.owned());
  CHECK(std::string(name_of(found.kind)) == "duplicate_detection");
}

TEST_CASE("neighbour solicitation and advertisement (RFC 4861 §4.3, §4.4)") {
  const auto asked = decoded(solicitation);
  CHECK(asked.kind == Icmpv6Kind::neighbour_solicitation);
  CHECK(asked.target->text() == "2001:db8::1");
  CHECK(asked.link_layer->text() == "34:56:78:9a:bc:de");
  CHECK(asked.owned()->text() == "2001:db8::10");
  const auto told = decoded(advertisement);
  CHECK(told.kind == Icmpv6Kind::neighbour_advertisement);
  CHECK(told.link_layer->text() == "02:00:00:00:00:02");
  CHECK(told.owned()->text() == "2001:db8::1");
  CHECK(told.solicited);
  CHECK(told.overrides);
  CHECK_FALSE(told.is_router);
}

TEST_CASE("router solicitation and advertisement (RFC 4861 §4.1, §4.2)") {
  const auto asked = decoded(router_solicitation);
  CHECK(asked.kind == Icmpv6Kind::router_solicitation);
  CHECK(asked.link_layer->text() == "34:56:78:9a:bc:de");
  CHECK(asked.owned()->text() == "fe80::3656:78ff:fe9a:bcde");
  const auto told = decode_icmpv6(summed("6000000000183aff fe80000000000000000000fffe000002 ff020000000000000000000000000001"
                                         "86000000 40000708 00000000 00000000 0101 020000000002"));
  REQUIRE(told);
  CHECK(told->kind == Icmpv6Kind::router_advertisement);
  CHECK(told->link_layer->text() == "02:00:00:00:00:02");
  // §6.1.2: from a link-local address only.
  CHECK_FALSE(decode_icmpv6(summed("6000000000103aff 20010db8000000000000000000000001 ff020000000000000000000000000001"
                                   "86000000 40000708 00000000 00000000")));
}

TEST_CASE("listener reports, versions 1 and 2, behind hop-by-hop options (RFC 2710 §3, RFC 3810 §5.2; check-values section 12)") {
  const auto report = decoded(joined);
  CHECK(report.kind == Icmpv6Kind::listener_report);
  CHECK(report.destination.text() == "ff02::16");
  REQUIRE(report.groups.size() == 2);
  CHECK(report.groups[1].text() == "ff02::1:ff9a:bcde");
  const auto done = decoded(left);
  CHECK(done.kind == Icmpv6Kind::listener_done);
  REQUIRE(done.groups.size() == 1);
  CHECK(done.groups[0].text() == "ff02::1:ff00:10");
  const std::string head = "6000000000200001 fe80000000000000000000fffe000001 ff0200000000000000000000000000fb 3a00050200000100";
  CHECK(decode_icmpv6(summed(head + "8300000000000000 ff0200000000000000000000000000fb", 48))->kind == Icmpv6Kind::listener_report);
  CHECK(decode_icmpv6(summed(head + "8400000000000000 ff0200000000000000000000000000fb", 48))->kind == Icmpv6Kind::listener_done);
  CHECK_FALSE(decode_icmpv6(summed(head + "8200000000000000 ff0200000000000000000000000000fb", 48)));  // a query is a router's
  CHECK_FALSE(decode_icmpv6(summed(head + "8300000000000000 20010db8000000000000000000000001", 48)));  // no group
}

TEST_CASE("a listener report tells of groups joined and left at once (RFC 3810 §5.2.12)") {
  const auto mixed = decode_icmpv6(summed(
      "60000000005c0001 fe80000000000000000000fffe000001 ff020000000000000000000000000016 3a00050200000100"
      "8f00000000000003 03000000 ff020000000000000000000000000001 05000001 ff020000000000000000000000000002"
      "20010db8000000000000000000000001 06000000 ff020000000000000000000000000003", 48));
  REQUIRE(mixed);
  CHECK(mixed->kind == Icmpv6Kind::listener_report);
  REQUIRE(mixed->groups.size() == 1);
  CHECK(mixed->groups[0].text() == "ff02::2");
  REQUIRE(mixed->groups_left.size() == 1);
  CHECK(mixed->groups_left[0].text() == "ff02::1");
}

TEST_CASE("what a receiver has to drop (RFC 4861 §6.1, §7.1; RFC 4443 §2.3)") {
  const auto with = [](std::string hex, std::size_t octet, const char* value) {
    std::string packed;
    for (const char c : hex)
      if (c != ' ') packed += c;
    packed.replace(2 * octet, 2, value);
    return packed;
  };
  CHECK(decode_icmpv6(summed(solicitation)));
  CHECK(decode_icmpv6(from_hex(duplicate)));
  CHECK_FALSE(decode_icmpv6(from_hex(with(solicitation, 43, "4c"))));          // checksum
  CHECK_FALSE(decode_icmpv6(summed(with(solicitation, 7, "fe"))));             // a router forwarded it
  CHECK_FALSE(decode_icmpv6(summed(with(joined, 7, "02"), 48)));
  CHECK_FALSE(decode_icmpv6(summed(with(solicitation, 41, "01"))));            // code
  CHECK_FALSE(decode_icmpv6(summed(with(solicitation, 48, "ff"))));            // a group as target
  CHECK_FALSE(decode_icmpv6(summed(with(solicitation, 65, "00"))));            // an option without length
  CHECK_FALSE(decode_icmpv6(summed(with(solicitation, 65, "02"))));            // one that does not fit
  CHECK_FALSE(decode_icmpv6(summed(with(duplicate, 24, "fe"))));               // "::" asks a solicited-node group alone
  CHECK_FALSE(decode_icmpv6(summed(with(duplicate, 64, "01"))));               // and does not tell its link-layer address
  CHECK_FALSE(decode_icmpv6(summed(with(with(advertisement, 24, "ff"), 25, "02"))));  // solicited, to a group
  CHECK_FALSE(decode_icmpv6(from_hex(with(solicitation, 0, "45"))));
  CHECK_FALSE(decode_icmpv6(from_hex(with(solicitation, 6, "2c"))));           // in fragments: RFC 6980
}

TEST_CASE("padding of a short frame is not part of the packet; a packet cut anywhere is refused") {
  for (const auto* example : examples) {
    CHECK(decode_icmpv6(from_hex(*example + "000000000000")));
    for_each_cut(from_hex(*example), [](const auto& cut) { CHECK_FALSE(decode_icmpv6(cut)); });
  }
}
