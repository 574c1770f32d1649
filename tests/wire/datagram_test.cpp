// Frames to datagrams. Layouts: IEEE 802.3 §3.1, 802.1Q §9.6, LINKTYPE_LINUX_SLL and _SLL2 (tcpdump.org/linktypes), RFC 791
// §3.1, RFC 768, RFC 9293 §3.1, RFC 8200 §3, §4. What tshark makes of whole captures is compared in tests/peers/tap_test.py.
#include "probes/wire/datagram.hpp"
#include "probes/wire/ip_fragments.hpp"
#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

#include <algorithm>
#include <deque>

using namespace tallywire;
using namespace tallywire::wire;
using test::from_hex;
using What = Datagram::What;
using std::chrono::seconds;

namespace {

using Bytes = std::vector<std::uint8_t>;

Bytes operator+(Bytes a, const Bytes& b) {
  a.insert(a.end(), b.begin(), b.end());
  return a;
}

// UDP of 5004 to 6000 with four octets, in IPv4 of 192.0.2.10 to 198.51.100.20.
const Bytes udp = from_hex("138c 1770 000c 0000 aabbccdd");
const Bytes ipv4 = from_hex("4500 0020 0001 0000 40 11 0000 c000020a c6336414") + udp;
const Bytes ipv6 = from_hex("60000000 000c 11 40 20010db8000000000000000000000010 20010db8000000000000000000000020") + udp;
const Bytes hosts = from_hex("020000000001 020000000002");

// The answer is a view: the frames stay.
Datagram decoded(const Bytes& of, LinkLayer link = LinkLayer::ethernet, std::size_t original = 0) {
  static std::deque<Bytes> frames;
  const auto& frame = frames.emplace_back(of);
  Datagram out;
  decode_frame(frame, static_cast<std::uint32_t>(original == 0 ? frame.size() : original), link, out);
  return out;
}

void check_is_the_datagram(const Datagram& d, bool six = false) {
  REQUIRE(d.what == What::udp);
  CHECK(d.flow.source_text() == (six ? "[2001:db8::10]:5004" : "192.0.2.10:5004"));
  CHECK(d.flow.destination_text() == (six ? "[2001:db8::20]:6000" : "198.51.100.20:6000"));
  CHECK(Bytes(d.payload.begin(), d.payload.end()) == from_hex("aabbccdd"));
  CHECK(d.payload_octets == 4);
}

}  // namespace

TEST_CASE("a datagram is found behind every link layer") {
  check_is_the_datagram(decoded(hosts + from_hex("0800") + ipv4));
  check_is_the_datagram(decoded(hosts + from_hex("86dd") + ipv6), true);
  check_is_the_datagram(decoded(ipv4, LinkLayer::raw_ip));
  check_is_the_datagram(decoded(ipv6, LinkLayer::raw_ip), true);
  check_is_the_datagram(decoded(from_hex("0000 0001 0006 020000000002 0000 0800") + ipv4, LinkLayer::linux_cooked));
  check_is_the_datagram(decoded(from_hex("0800 0000 00000003 0001 00 06 020000000002 0000") + ipv4, LinkLayer::linux_cooked_v2));
  check_is_the_datagram(decoded(from_hex("02000000") + ipv4, LinkLayer::null_loopback));
  CHECK(decoded(ipv4, LinkLayer::unknown).what == What::other);
}

TEST_CASE("tags are counted and passed, however many are stacked") {
  const auto one = decoded(hosts + from_hex("8100 0064 0800") + ipv4);
  check_is_the_datagram(one);
  CHECK(one.vlan_tags == 1);
  const auto three = decoded(hosts + from_hex("88a8 0001 8100 0002 8100 0003 86dd") + ipv6);
  check_is_the_datagram(three, true);
  CHECK(three.vlan_tags == 3);
  check_is_the_datagram(decoded(from_hex("8100 0000 00000003 0001 00 06 020000000002 0000 0064 0800") + ipv4, LinkLayer::linux_cooked_v2));
  Bytes endless = hosts;
  for (int i = 0; i < 40; ++i) endless = endless + from_hex("8100 0001");
  CHECK(decoded(endless + from_hex("0800") + ipv4).what == What::malformed);
}

TEST_CASE("padding of a short frame is no payload") {
  check_is_the_datagram(decoded(hosts + from_hex("0800") + ipv4 + Bytes(14, 0)));
}

TEST_CASE("IPv6 extension headers are passed (RFC 8200 §4)") {
  // Hop-by-hop options of 8 octets, then destination options of 16, then UDP.
  const auto frame = hosts + from_hex("86dd 60000000 0024 00 40 20010db8000000000000000000000010 20010db8000000000000000000000020"
                                      "3c 00 0104 00000000  11 01 010c 000000000000000000000000") + udp;
  check_is_the_datagram(decoded(frame), true);
  // An atomic fragment (RFC 6946) is a whole datagram.
  const auto atomic = hosts + from_hex("86dd 60000000 0014 2c 40 20010db8000000000000000000000010 20010db8000000000000000000000020"
                                       "11 00 0000 00000001") + udp;
  check_is_the_datagram(decoded(atomic), true);
}

TEST_CASE("a length that does not fit is malformed, a frame that the capture has cut is not") {
  const auto frame = hosts + from_hex("0800") + ipv4;
  for (std::size_t keep = 0; keep < frame.size(); ++keep) {
    const Bytes head(frame.begin(), frame.begin() + static_cast<std::ptrdiff_t>(keep));
    const auto cut = decoded(head, LinkLayer::ethernet, frame.size());
    if (keep >= 14 + 20 + 8)
      CHECK((cut.what == What::udp && cut.payload_octets == 4 && cut.payload.size() == keep - 42));
    else
      CHECK(cut.what == What::cut);
    CHECK(decoded(head).what == What::malformed);
  }
  auto wrong = frame;
  wrong[14 + 20 + 5] = 200;  // UDP length beyond IP's
  CHECK(decoded(wrong).what == What::malformed);
  wrong = frame;
  wrong[14] = 0x44;          // a header of 16 octets
  CHECK(decoded(wrong).what == What::malformed);
}

TEST_CASE("TCP is taken apart, also where a card has left the length to be filled in") {
  const auto tcp = from_hex("022a a8ca 00000001 00000002 5012 ffff 0000 0000") + Bytes(100, 0x24);
  for (const char* length : {"008c", "0000"}) {
    const auto frame = hosts + from_hex("0800 4500") + from_hex(length) + from_hex("0001 0000 40 06 0000 c000020a c6336414") + tcp;
    const auto d = decoded(frame);
    REQUIRE(d.what == What::tcp);
    CHECK(d.payload_octets == 100);
    CHECK(d.tcp.sequence == 1);
    CHECK(d.tcp.acknowledgement == 2);
    CHECK((d.tcp.syn && d.tcp.ack && !d.tcp.fin && !d.tcp.rst));
    CHECK(d.flow.reversed().source_text() == "198.51.100.20:43210");
  }
}

namespace {

Bytes fragment4(std::uint16_t id, std::size_t offset, bool more, const Bytes& data) {
  Bytes out = from_hex("4500");
  put_u16(out, static_cast<std::uint16_t>(20 + data.size()));
  put_u16(out, id);
  put_u16(out, static_cast<std::uint16_t>((more ? 0x2000 : 0) | offset / 8));
  return out + from_hex("40 11 0000 c000020a c6336414") + data;
}

}  // namespace

TEST_CASE("fragments make their datagram in any order, twice or not (RFC 791 §3.2)") {
  const Bytes body = from_hex("138c 1770 0030 0000") + Bytes(40, 0x11);
  const auto part = [&](std::size_t from, std::size_t to) { return Bytes(body.begin() + static_cast<std::ptrdiff_t>(from), body.begin() + static_cast<std::ptrdiff_t>(to)); };
  const std::vector<Bytes> pieces = {fragment4(9, 0, true, part(0, 16)), fragment4(9, 16, true, part(16, 32)), fragment4(9, 32, false, part(32, 48))};
  std::vector<std::size_t> order = {0, 1, 2};
  do {
    IpFragments fragments;
    Datagram d;
    int whole = 0;
    for (const auto i : {order[0], order[0], order[1], order[2]}) {
      decode_frame(pieces[i], static_cast<std::uint32_t>(pieces[i].size()), LinkLayer::raw_ip, d);
      REQUIRE(d.what == What::fragment);
      const auto fragment = d.fragment;
      whole += fragments.add(fragment, d.frame_octets, seconds(1), d);
    }
    CHECK(whole == 1);
    REQUIRE(d.what == What::udp);
    CHECK(d.payload_octets == 40);
    CHECK(d.flow.source_text() == "192.0.2.10:5004");
    CHECK(fragments.incomplete() == 0);
  } while (std::next_permutation(order.begin(), order.end()));
}

TEST_CASE("fragments that never come whole are given up and counted, and cost no more than their ceiling") {
  IpFragments fragments;
  Datagram d;
  for (std::uint16_t id = 0; id < 1000; ++id) {
    const auto piece = fragment4(id, 0, true, Bytes(16, 1));
    decode_frame(piece, static_cast<std::uint32_t>(piece.size()), LinkLayer::raw_ip, d);
    const auto fragment = d.fragment;
    CHECK_FALSE(fragments.add(fragment, 1, seconds(1), d));
  }
  CHECK(fragments.incomplete() == 1000);
  // The last piece of one that was given up begins another, in vain.
  const auto last = fragment4(0, 16, false, Bytes(16, 1));
  decode_frame(last, static_cast<std::uint32_t>(last.size()), LinkLayer::raw_ip, d);
  const auto fragment = d.fragment;
  CHECK_FALSE(fragments.add(fragment, 1, seconds(60), d));
  CHECK(fragments.incomplete() == 1001);
}

TEST_CASE("addresses are read and written as people write them (RFC 5952)") {
  CHECK(decode_ip_address("2001:DB8:0:0::1")->text() == "2001:db8::1");
  CHECK(decode_ip_address("192.0.2.1")->text() == "192.0.2.1");
  CHECK_FALSE(decode_ip_address("camera.example").has_value());
  CHECK(decode_ip_address("239.1.2.3")->is_multicast());
  CHECK(decode_ip_address("ff02::1")->is_multicast());
  CHECK_FALSE(decode_ip_address("192.0.2.1")->is_multicast());
}
