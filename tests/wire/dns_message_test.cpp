#include "probes/wire/dns_message.hpp"

#include "tests/support/cuts.hpp"
#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::wire;
using tallywire::test::for_each_cut;
using tallywire::test::from_hex;

namespace {

const std::string response = "0000 8400 0000 ";  // id, flags, no question

// RFC 6763 §4.1.2, §9: an instance of _rtsp._tcp, told as RFC 6762 §10.2 has it, names compressed (RFC 1035 §4.1.4).
const std::string announcement = response + "0004 0000 0001"
    "055f72747370 045f746370 056c6f63616c 00 000c 0001 00001194 0009 06686561642d31 c00c"            // 12: PTR head-1
    "c028 0021 8001 00000078 000d 0000 0000 022a 04756e6974 c017"                                   // 49: SRV unit.local:554
    "c028 0010 8001 00001194 0017 09747874766572733d31 0c706174683d2f686561642f31"                  // TXT
    "c043 0001 8001 00000078 0004 c000020a"                                                         // A
    "c043 001c 8001 00000078 0010 20010db8000000000000000000000010";                                // AAAA

DnsMessage decoded(const std::string& hex) {
  const auto found = decode_dns(from_hex(hex));
  REQUIRE(found);
  return *found;
}

}  // namespace

TEST_CASE("names are compressed as in the example of RFC 1035 §4.1.4") {
  // F.ISI.ARPA, FOO.F.ISI.ARPA, ARPA and the root, as questions; only the offsets differ from the RFC's 20, 40, 64, 92.
  const auto found = decoded("0000 0000 0004 0000 0000 0000 0146 03495349 0441525041 00 0001 0001 03464f4f c00c 0001 0001"
                             "c012 0001 0001 00 0001 0001");
  REQUIRE(found.questions.size() == 4);
  CHECK(found.questions[0].name == "F.ISI.ARPA");
  CHECK(found.questions[1].name == "FOO.F.ISI.ARPA");
  CHECK(found.questions[2].name == "ARPA");
  CHECK(found.questions[3].name == ".");
  CHECK(found.questions[3].type == dns_a);
  CHECK_FALSE(found.is_response);
}

TEST_CASE("an instance of a service with its host, port, texts and addresses (RFC 6763 §4, §6; RFC 2782)") {
  const auto found = decoded(announcement);
  CHECK(found.is_response);
  REQUIRE(found.answers.size() == 4);
  const auto& pointer = found.answers[0];
  CHECK(pointer.name == "_rtsp._tcp.local");
  CHECK(pointer.type == dns_ptr);
  CHECK(pointer.target == "head-1._rtsp._tcp.local");
  CHECK(pointer.ttl_s == 4500);  // 75 min: RFC 6762 §10
  CHECK_FALSE(pointer.flushes_cache);
  const auto& service = found.answers[1];
  CHECK(service.name == "head-1._rtsp._tcp.local");
  CHECK(service.target == "unit.local");
  CHECK(service.port == 554);
  CHECK(service.ttl_s == 120);
  CHECK(service.flushes_cache);
  CHECK(found.answers[2].texts == std::vector<std::string>{"txtvers=1", "path=/head/1"});
  CHECK(found.answers[3].name == "unit.local");
  CHECK(found.answers[3].address->text() == "192.0.2.10");
  REQUIRE(found.additionals.size() == 1);
  CHECK(found.additionals[0].address->text() == "2001:db8::10");
}

TEST_CASE("a probe for names: any, answered unicast, with what is claimed among the authorities (RFC 6762 §5.4, §8.1)") {
  const auto found = decoded("0000 0000 0001 0000 0001 0000 04756e6974 056c6f63616c 00 00ff 8001 c00c 0001 0001 00000078 0004 c000020a");
  REQUIRE(found.questions.size() == 1);
  CHECK(found.questions[0].name == "unit.local");
  CHECK(found.questions[0].type == dns_any);
  CHECK(found.questions[0].wants_unicast);
  REQUIRE(found.authorities.size() == 1);
  CHECK(found.authorities[0].address->text() == "192.0.2.10");
}

TEST_CASE("host information, a goodbye, and dots within a label (RFC 1035 §3.3.2, RFC 6762 §10.1, RFC 6763 §4.3)") {
  const auto found = decoded(response + "0002 0000 0000 04756e6974 00 000d 0001 00000000 000a 0361726d 054c696e7578"
                             "05412e62 5c63 00 000c 0001 00000000 0002 c00c");
  CHECK(found.answers[0].texts == std::vector<std::string>{"arm", "Linux"});
  CHECK(found.answers[0].ttl_s == 0);
  CHECK(found.answers[1].name == "A\\.b\\\\c");
  CHECK(found.answers[1].target == "unit");
}

TEST_CASE("empty texts say nothing (RFC 6763 §6.1); other types and classes stand without data; OPT is no record (RFC 6891)") {
  const auto found = decoded(response + "0004 0000 0000 0161 00 0010 0001 00000078 0001 00 0161 00 002f 8001 00000078 0002 ffff"
                             "0161 00 0001 0003 00000078 0004 c000020a 00 0029 8001 80000000 0000");
  REQUIRE(found.answers.size() == 4);
  CHECK(found.answers[0].texts.empty());
  CHECK(found.answers[1].type == 47);
  CHECK_FALSE(found.answers[2].address);
  CHECK(found.answers[3].ttl_s == 0);
  CHECK_FALSE(found.answers[3].flushes_cache);
}

TEST_CASE("names that never end, point ahead or are too long are refused (RFC 1035 §2.3.4, §4.1.4)") {
  const std::string one = "0000 0000 0001 0000 0000 0000 ";
  CHECK_FALSE(decode_dns(from_hex(one + "c00c 0001 0001")));              // at itself
  CHECK_FALSE(decode_dns(from_hex(one + "0161 c00c 0001 0001")));         // at its own beginning
  CHECK_FALSE(decode_dns(from_hex(one + "c00e 0001 0001 00")));           // ahead
  CHECK_FALSE(decode_dns(from_hex(one + "c0ff 0001 0001")));              // past the end
  CHECK_FALSE(decode_dns(from_hex(one + "4161 00 0001 0001")));           // a kind of label that is none
  std::string longest;
  for (int i = 0; i < 3; ++i) longest += "3f" + std::string(126, '6');
  CHECK(decode_dns(from_hex(one + longest + "3d" + std::string(122, '6') + "00 0001 0001")));        // 255 octets
  CHECK_FALSE(decode_dns(from_hex(one + longest + "3e" + std::string(124, '6') + "00 0001 0001")));  // 256
}

TEST_CASE("lengths that do not fit, and what is no standard query, are refused (RFC 6762 §18)") {
  CHECK_FALSE(decode_dns(from_hex("0000 2800 0000 0000 0000 0000")));  // an update
  CHECK_FALSE(decode_dns(from_hex("0000 8403 0000 0000 0000 0000")));  // an error
  CHECK(decode_dns(from_hex("0000 8400 0000 0000 0000 0000")));
  const std::string record = response + "0001 0000 0000 0161 00 ";
  CHECK_FALSE(decode_dns(from_hex(record + "0001 0001 00000078 0003 c00002")));
  CHECK_FALSE(decode_dns(from_hex(record + "001c 0001 00000078 0004 c000020a")));
  CHECK_FALSE(decode_dns(from_hex(record + "000c 0001 00000078 0005 0162 00 0000")));     // octets after the name
  CHECK_FALSE(decode_dns(from_hex(record + "000c 0001 00000078 0002 0162 00")));          // a name past its record
  CHECK_FALSE(decode_dns(from_hex(record + "0010 0001 00000078 0002 0561")));
  CHECK_FALSE(decode_dns(from_hex(record + "0021 0001 00000078 0004 00000000")));
  CHECK_FALSE(decode_dns(from_hex(record + "0021 0001 00000078 0001 00")));               // its fields end past its record
}

TEST_CASE("at most 512 records are taken, whatever is told") {
  std::string many = "0000 8400 0000 0300 0000 0000";
  for (int i = 0; i < 0x300; ++i) many += "00 0001 0001 00000078 0004 c000020a";
  CHECK(decoded(many).answers.size() == 512);
}

TEST_CASE("a question for services goes out as RFC 6762 §18 and RFC 6763 §9 have it") {
  const auto octets = encode_dns_question({"_services._dns-sd._udp.local", "_rtsp._tcp.local", "a..b", "head\\.1.local"});
  CHECK(octets == from_hex("0000 0000 0003 0000 0000 0000 095f7365727669636573 075f646e732d7364 045f756470 056c6f63616c 00 000c 0001"
                           "055f72747370 045f746370 056c6f63616c 00 000c 0001 06686561642e31 056c6f63616c 00 000c 0001"));
  const auto back = decode_dns(octets);
  REQUIRE(back);
  CHECK(back->questions[2].name == "head\\.1.local");
  CHECK_FALSE(back->questions[0].wants_unicast);
}

TEST_CASE("a DNS message cut anywhere is refused") {
  for_each_cut(from_hex(announcement), [](const auto& cut) { CHECK_FALSE(decode_dns(cut)); });
}
