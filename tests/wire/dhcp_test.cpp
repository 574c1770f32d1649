#include "probes/wire/dhcp.hpp"

#include "tests/support/cuts.hpp"
#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::wire;
using tallywire::test::for_each_cut;
using tallywire::test::from_hex;
using Octets8 = std::vector<std::uint8_t>;

namespace {

// RFC 2131 §2: the fixed fields up to the options, with the fields for names filled in.
Octets8 message(const std::string& options, const std::string& server_name = "", const std::string& file = "",
                const std::string& head = "01 01 06 00 12345678 0007 0000 00000000 00000000 00000000 00000000") {
  auto out = from_hex(head + "020000000001 00000000000000000000");
  const auto field = [&](const std::string& text, std::size_t size) {
    auto octets = from_hex(text);
    octets.resize(size);
    out.insert(out.end(), octets.begin(), octets.end());
  };
  field(server_name, 64);
  field(file, 128);
  const auto rest = from_hex(options);
  out.insert(out.end(), rest.begin(), rest.end());
  return out;
}

// check-values section 12: RFC 2132 §3.14, §9.8, §9.13, §9.14, RFC 3046 §3.
const char* const row = "63825363 350101 0c06 686561642d31 3c04 63616d31 3d07 01 020000000001 3704 0103062a"
                        "520c 0104 67693037 0204 73774131 ff";

}  // namespace

TEST_CASE("DHCP discover: who asks, and on which port of which switch (check-values section 12)") {
  const auto found = decode_dhcp(message(row));
  REQUIRE(found);
  CHECK(found->from_client);
  CHECK(found->kind == DhcpKind::discover);
  CHECK(found->transaction == 0x12345678);
  CHECK(found->seconds_tried == 7);
  CHECK(found->client.text() == "02:00:00:00:00:01");
  CHECK(found->host_name == "head-1");
  CHECK(found->vendor_class == "cam1");
  CHECK(found->client_id == Octets8{1, 2, 0, 0, 0, 0, 1});
  CHECK(found->asked_options == Octets8{1, 3, 6, 42});
  CHECK(found->circuit_id == "gi07");
  CHECK(found->remote_id == "swA1");
  CHECK_FALSE(found->client_address);
  CHECK_FALSE(found->your_address);
  CHECK_FALSE(found->relay_address);
}

TEST_CASE("the kinds of DHCP have the numbers of RFC 2132 §9.6 (check-values section 12)") {
  const char* const names[] = {"discover", "offer", "request", "decline", "ack", "nak", "release", "inform"};
  for (int i = 1; i <= 8; ++i) {
    const auto found = decode_dhcp(message("63825363 35010" + std::to_string(i) + "ff"));
    REQUIRE(found);
    CHECK(static_cast<int>(found->kind) == i);
    CHECK(std::string(name_of(found->kind)) == names[i - 1]);
  }
  for (const auto* none : {"63825363 350100 ff", "63825363 350109 ff", "63825363 ff", "63825363 3500 ff", "63825364 350101 ff"})
    CHECK_FALSE(decode_dhcp(message(none)));
}

TEST_CASE("a DHCP answer: addresses, mask, routers, lease, server (RFC 2132 §3.3, §3.5, §9.2, §9.7)") {
  const auto found = decode_dhcp(message("63825363 350105 3604 c0000201 3304 00000e10 0104 ffffff00 0308 c0000201 c0000202 ff", "", "",
                                         "02 01 06 01 00000001 0000 8000 c000020a c000020b 00000000 c00002fe"));
  REQUIRE(found);
  CHECK_FALSE(found->from_client);
  CHECK(found->kind == DhcpKind::ack);
  CHECK(text_of(*found->client_address) == "192.0.2.10");
  CHECK(text_of(*found->your_address) == "192.0.2.11");
  CHECK(text_of(*found->relay_address) == "192.0.2.254");
  CHECK(text_of(*found->server) == "192.0.2.1");
  CHECK(text_of(*found->subnet_mask) == "255.255.255.0");
  CHECK(found->lease_s == 3600);
  REQUIRE(found->routers.size() == 2);
  CHECK(text_of(found->routers[1]) == "192.0.2.2");
  CHECK(text_of(*decode_dhcp(message("63825363 350103 3204 c000020a ff"))->requested_address) == "192.0.2.10");
}

TEST_CASE("a DHCP client id of type 0 is no hardware address (RFC 2132 §9.14; check-values section 12)") {
  CHECK(decode_dhcp(message("63825363 350101 3d06 00 6865616431 ff"))->client_id == Octets8{0, 'h', 'e', 'a', 'd', '1'});
}

TEST_CASE("DHCP options that come in pieces are one (RFC 3396 §7)") {
  CHECK(decode_dhcp(message("63825363 350101 0c03 686561 3c04 63616d31 0c03 642d31 ff"))->host_name == "head-1");
}

TEST_CASE("DHCP options in the fields for names (RFC 2132 §9.3), in the order of RFC 3396 §5: file, then server name") {
  const std::string host = "0c02 642d ff", end = "0c01 31 ff";
  const auto both = decode_dhcp(message("63825363 350101 340103 0c03 686561 ff", end, host));
  CHECK(both->host_name == "head-1");
  CHECK(decode_dhcp(message("63825363 350101 340101 0c03 686561 ff", end, host))->host_name == "head-");
  CHECK(decode_dhcp(message("63825363 350101 340102 0c03 686561 ff", end, host))->host_name == "hea1");
  CHECK(decode_dhcp(message("63825363 350101 0c03 686561 ff", end, host))->host_name == "hea");
  // The kind itself may stand there.
  CHECK(decode_dhcp(message("63825363 340101 ff", "", "350103 ff"))->kind == DhcpKind::request);
}

TEST_CASE("a DHCP client's full name as text and in labels (RFC 4702 §2)") {
  CHECK(decode_dhcp(message("63825363 350101 5111 00 00 00 686561642e6578616d706c652e6f ff"))->full_name == "head.example.o");
  CHECK(decode_dhcp(message("63825363 350101 5111 04 00 00 0468656164 076578616d706c65 00 ff"))->full_name == "head.example");
  CHECK(decode_dhcp(message("63825363 350101 5104 04 00 00 ff ff"))->full_name.empty());
}

TEST_CASE("DHCP relay ids that are no text read as pairs; hostile texts are made fit") {
  CHECK(decode_dhcp(message("63825363 350101 520a 0108 000406000a0001 ff ff"))->circuit_id == "00:04:06:00:0a:00:01:ff");
  CHECK(decode_dhcp(message("63825363 350101 0c04 1b5b3141 ff"))->host_name == "\xef\xbf\xbd[1A");
  CHECK(decode_dhcp(message("63825363 350101 0c07 68656164000000 ff"))->host_name == "head");
  // A part that is longer than its option: what stands before it is kept.
  CHECK(decode_dhcp(message("63825363 350101 5208 0102 6162 02ff 6364 ff"))->circuit_id == "ab");
  CHECK(decode_dhcp(message("63825363 350101 5208 0102 6162 02ff 6364 ff"))->remote_id.empty());
}

TEST_CASE("DHCP: a value too short is as if it were not there; an option that does not fit voids the message") {
  const auto found = decode_dhcp(message("63825363 350101 3203 c00002 3302 0000 0303 c00002 ff"));
  REQUIRE(found);
  CHECK_FALSE(found->requested_address);
  CHECK_FALSE(found->lease_s);
  CHECK(found->routers.empty());
  CHECK_FALSE(decode_dhcp(message("63825363 350101 0c06 686561")));
  CHECK_FALSE(decode_dhcp(message("63825363 350101 0c")));
  CHECK(decode_dhcp(message("63825363 350101")));  // no end option: the datagram's end is one
  // Hardware that is no Ethernet; neither asked nor answered.
  for (const auto* head : {"01 20 06 00 12345678 0007 0000", "01 01 10 00 12345678 0007 0000", "03 01 06 00 12345678 0007 0000"})
    CHECK_FALSE(decode_dhcp(message(row, "", "", std::string(head) + "00000000 00000000 00000000 00000000")));
}

TEST_CASE("DHCP cut anywhere is refused, or says no more than the whole") {
  const auto octets = message(row);
  for_each_cut(octets, [&](const auto& cut) {
    const auto found = decode_dhcp(cut);
    CAPTURE(cut.size());
    if (!found) return;
    CHECK(found->client.text() == "02:00:00:00:00:01");
    CHECK((found->host_name.empty() || found->host_name == "head-1"));
    CHECK((found->vendor_class.empty() || found->vendor_class == "cam1"));
    CHECK((found->client_id.empty() || found->client_id.size() == 7));
    CHECK((found->circuit_id.empty() || found->circuit_id == "gi07"));
    CHECK((found->remote_id.empty() || found->remote_id == "swA1"));
  });
}
