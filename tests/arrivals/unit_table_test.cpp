// One unit, one entry; the source of each fact; signs of a start. Addresses from documentation ranges.
#include "probes/arrivals/unit_table.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace tallywire;
using namespace tallywire::arrivals;
using namespace std::chrono_literals;

namespace {

const SystemTime noon = from_rfc3339("2026-11-26T12:00:00.000Z");
const auto mac = [](const char* text) { return *wire::decode_mac(text); };
const auto unit_mac = mac("02:00:5e:10:00:01"), other_mac = mac("02:00:5e:10:00:02");

Sighting sighting(const wire::MacAddress& source, Said said, SystemTime when, std::optional<wire::IpAddress> from = {}) {
  return {when, source, {}, from, std::move(said)};
}

Sighting arp(const wire::MacAddress& who, wire::ArpKind kind, wire::Ipv4 address, SystemTime when) {
  wire::ArpPacket packet;
  packet.kind = kind;
  packet.sender = who;
  if (kind != wire::ArpKind::probe) packet.sender_address = address;
  packet.target_address = address;
  return sighting(who, packet, when);
}

Sighting dhcp(const wire::MacAddress& who, wire::DhcpKind kind, SystemTime when, std::uint16_t seconds_tried = 0) {
  wire::DhcpMessage m;
  m.from_client = true;
  m.kind = kind;
  m.client = who;
  m.seconds_tried = seconds_tried;
  m.host_name = "head-1";
  return sighting(who, m, when);
}

Sighting duplicate_detection(const wire::MacAddress& who, const char* target, SystemTime when) {
  wire::Icmpv6Message m;
  m.kind = wire::Icmpv6Kind::duplicate_detection;
  m.target = wire::decode_ip_address(target);
  return sighting(who, m, when);
}

Sighting hello(const wire::MacAddress& source, const std::string& endpoint, const char* from, SystemTime when, std::optional<std::uint64_t> instance = {}) {
  wire::WsDiscoveryMessage m;
  m.kind = wire::WsDiscoveryKind::hello;
  m.instance = instance;
  wire::WsDiscoveryDevice device;
  device.endpoint = endpoint;
  device.hardware = "M4";
  m.devices = {device};
  return sighting(source, m, when, wire::decode_ip_address(from));
}

std::size_t count(const UnitTable& table) {
  std::size_t out = 0;
  for (const auto& unit : table.units()) out += unit.number != 0;
  return out;
}

}  // namespace

TEST_CASE("what several protocols say of one hardware address is one unit, each fact with its source") {
  UnitTable table(nullptr, {});
  CHECK(table.hear(arp(unit_mac, wire::ArpKind::probe, {192, 0, 2, 10}, noon), "eth0").front().fresh);
  CHECK_FALSE(table.hear(arp(unit_mac, wire::ArpKind::announcement, {192, 0, 2, 10}, noon + 6s), "eth0").front().fresh);
  table.hear(dhcp(unit_mac, wire::DhcpKind::discover, noon + 7s), "eth0");
  table.hear(hello(unit_mac, "urn:uuid:1", "192.0.2.10", noon + 8s), "eth0");
  REQUIRE(count(table) == 1);
  const auto& unit = *table.find(unit_mac);
  CHECK(unit.find(What::ipv4_address)->value == "192.0.2.10");
  CHECK(unit.find(What::wanted_ipv4_address)->source == Source::arp);
  CHECK(unit.find(What::host_name)->source == Source::dhcp);
  CHECK(unit.find(What::model)->source == Source::ws_discovery);
  CHECK(unit.find(What::serial) == nullptr);
  CHECK((unit.first_heard == noon && unit.last_heard == noon + 8s && unit.frames == 4));
}

TEST_CASE("a unit whose card was changed is one entry with two hardware addresses, by its endpoint") {
  UnitTable table(nullptr, {});
  table.hear(arp(other_mac, wire::ArpKind::announcement, {192, 0, 2, 11}, noon), "eth0");
  table.hear(hello(unit_mac, "urn:uuid:1", "192.0.2.10", noon + 1s), "eth0");
  CHECK(count(table) == 2);
  table.hear(hello(other_mac, "urn:uuid:1", "192.0.2.11", noon + 2s), "eth0");
  CHECK(count(table) == 2);  // as yet both may be there
  table.hear(hello(other_mac, "urn:uuid:1", "192.0.2.11", noon + 7min), "eth0");
  REQUIRE(count(table) == 1);
  CHECK(table.find(unit_mac) == table.find(other_mac));
  CHECK(table.find(unit_mac)->hardware_addresses.size() == 2);
  CHECK(table.find(unit_mac)->first_heard == noon);
}

TEST_CASE("two units with a copied endpoint and serial number, each at an address of its own, stay two") {
  UnitTable table(nullptr, {});
  const auto say = [&](const wire::MacAddress& who, const char* from, SystemTime when) {
    auto said = hello(who, "urn:uuid:1", from, when);
    std::get<wire::WsDiscoveryMessage>(said.said).devices[0].serial = "TD-0031";
    return table.hear(said, "eth0").front().unit;
  };
  for (int n = 0; n < 3; ++n) CHECK(say(unit_mac, "192.0.2.10", noon + n * 60s) != say(other_mac, "192.0.2.11", noon + n * 60s + 30s));
  CHECK(count(table) == 2);
  // One of them is off for a while: they were two, and are.
  say(other_mac, "192.0.2.11", noon + 1h);
  CHECK(count(table) == 2);
  CHECK(table.find(other_mac)->value_of(What::endpoint) == "urn:uuid:1");
}

TEST_CASE("a device that tells its other hardware address is one unit with it") {
  UnitTable table(nullptr, {});
  table.hear(hello(unit_mac, "urn:uuid:1", "192.0.2.10", noon), "eth0");
  table.hear(arp(other_mac, wire::ArpKind::announcement, {192, 0, 2, 11}, noon + 1s), "eth0");
  auto said = hello(unit_mac, "urn:uuid:1", "192.0.2.10", noon + 2s);
  std::get<wire::WsDiscoveryMessage>(said.said).devices[0].hardware_address = other_mac.text();
  table.hear(said, "eth0");
  CHECK(count(table) == 1);
}

TEST_CASE("names of any length are kept and compared by their first 256 octets") {
  const std::string same(UnitTable::longest_name, 'x');
  UnitTable table(nullptr, {});
  table.hear(hello(unit_mac, same + "a", "192.0.2.10", noon), "eth0");
  table.hear(hello(other_mac, same + "b", "192.0.2.11", noon + 7min), "eth0");
  CHECK(count(table) == 1);
  CHECK(table.find(unit_mac)->value_of(What::endpoint) == same);
}

TEST_CASE("one message that tells of several devices is heard of each of them") {
  auto said = hello(unit_mac, "urn:uuid:1", "192.0.2.10", noon);
  auto& devices = std::get<wire::WsDiscoveryMessage>(said.said).devices;
  devices.push_back(devices[0]);
  devices[1].endpoint = "urn:uuid:2";
  devices.push_back(devices[0]);
  const std::vector<wire::MacAddress> told = {unit_mac, other_mac, mac("02:00:5e:10:00:03")};
  for (std::size_t i = 0; i < 3; ++i) devices[i].hardware_address = told[i].text();
  UnitTable table(nullptr, {});
  const auto heard = table.hear(said, "eth0");
  // The third says the name of the first, and becomes one with it.
  REQUIRE(heard.size() == 2);
  CHECK((heard[0].fresh && heard[1].fresh));
  CHECK(&table.units()[heard[0].unit] == table.find(told[2]));
  CHECK(&table.units()[heard[1].unit] == table.find(other_mac));
  CHECK(table.find(unit_mac) == table.find(told[2]));
}

TEST_CASE("the same serial number joins entries of one maker, but no filler does") {
  const auto lldp = [](const wire::MacAddress& who, const char* serial) {
    wire::LldpNeighbour m;
    m.inventory.serial = serial;
    return sighting(who, m, noon);
  };
  UnitTable table(nullptr, {});
  table.hear(lldp(unit_mac, "TD-0031"), "eth0");
  table.hear(lldp(other_mac, "TD-0031"), "eth0");
  CHECK(count(table) == 1);
  table.hear(lldp(mac("02:00:5e:10:00:03"), "000000"), "eth0");
  table.hear(lldp(mac("02:00:5e:10:00:04"), "000000"), "eth0");
  CHECK(count(table) == 3);
  table.hear(lldp(mac("06:00:00:10:00:04"), "TD-0031"), "eth0");
  CHECK(count(table) == 4);
}

TEST_CASE("answers that come through a router are units of their own, not the router") {
  UnitTable table(nullptr, {});
  table.hear(hello(unit_mac, "urn:uuid:1", "203.0.113.10", noon), "eth0");
  table.hear(hello(unit_mac, "urn:uuid:2", "203.0.113.11", noon), "eth0");
  table.hear(hello(unit_mac, "urn:uuid:3", "203.0.113.12", noon), "eth0");
  table.hear(hello(unit_mac, "urn:uuid:2", "203.0.113.11", noon + 1s), "eth0");
  CHECK(count(table) == 3);
}

TEST_CASE("the first greeting through a router that is heard at its own address is not the router's") {
  UnitTable table(nullptr, {});
  table.hear(arp(unit_mac, wire::ArpKind::announcement, {192, 0, 2, 1}, noon), "eth0");
  table.hear(hello(unit_mac, "urn:uuid:1", "203.0.113.10", noon + 1s), "eth0");
  CHECK(count(table) == 2);
  CHECK(table.find(unit_mac)->value_of(What::endpoint).empty());
  CHECK(table.find(unit_mac)->value_of(What::ipv4_address) == "192.0.2.1");
  // Nor who passes on from an address that another has just now.
  table.hear(arp(other_mac, wire::ArpKind::announcement, {192, 0, 2, 20}, noon + 2s), "eth0");
  const auto third = mac("02:00:5e:10:00:03");
  table.hear(dhcp(third, wire::DhcpKind::inform, noon + 3s), "eth0");
  table.hear(hello(third, "urn:uuid:2", "192.0.2.20", noon + 4s), "eth0");
  CHECK(table.find(third)->value_of(What::endpoint).empty());
  // RFC 3927 §7: what comes from a link-local address is not forwarded, so it is the speaker's.
  table.hear(hello(other_mac, "urn:uuid:3", "169.254.7.9", noon + 5s), "eth0");
  CHECK(table.find(other_mac)->value_of(What::endpoint) == "urn:uuid:3");
}

// RFC 1035 §3.3.2: HINFO is CPU and operating system.
TEST_CASE("of mDNS only the sender's own host names are its names, and a CPU is no model") {
  wire::DnsMessage m;
  m.is_response = true;
  const auto record = [](const char* name, const char* address) {
    wire::DnsRecord r;
    r.name = name;
    r.type = wire::dns_a;
    r.ttl_s = 120;
    r.address = wire::decode_ip_address(address);
    return r;
  };
  wire::DnsRecord hinfo;
  hinfo.name = "head-1.local";
  hinfo.type = wire::dns_hinfo;
  hinfo.ttl_s = 120;
  hinfo.texts = {"ARMV7L", "LINUX"};
  m.answers = {record("head-1.local", "192.0.2.10"), record("head-2.local", "192.0.2.77"), hinfo};
  UnitTable table(nullptr, {});
  table.hear(sighting(unit_mac, m, noon, wire::decode_ip_address("192.0.2.10")), "eth0");
  CHECK(table.find(unit_mac)->value_of(What::host_name) == "head-1");
  CHECK(table.find(unit_mac)->value_of(What::model).empty());
}

TEST_CASE("a reflector's message does not give its sender other hosts' names") {
  wire::DnsMessage m;
  m.is_response = true;
  wire::DnsRecord a;
  a.name = "head-2.local";
  a.type = wire::dns_a;
  a.ttl_s = 120;
  a.address = wire::decode_ip_address("192.0.2.77");
  m.answers = {a};
  UnitTable table(nullptr, {});
  table.hear(sighting(unit_mac, m, noon, wire::decode_ip_address("192.0.2.1")), "eth0");
  CHECK(table.find(unit_mac)->facts.empty());
  table.hear(sighting(other_mac, m, noon, wire::decode_ip_address("192.0.2.77")), "eth0");
  CHECK(table.find(other_mac)->value_of(What::host_name) == "head-2");
}

// RFC 6763 §4.1: Instance . Service . Domain; dots within the instance are escaped.
TEST_CASE("a service is told by its type, port and instance") {
  wire::DnsMessage m;
  m.is_response = true;
  wire::DnsRecord srv;
  srv.name = "Gate\\.north._rtsp._tcp.local";
  srv.type = wire::dns_srv;
  srv.ttl_s = 120;
  srv.port = 554;
  m.answers = {srv};
  UnitTable table(nullptr, {});
  table.hear(sighting(unit_mac, m, noon), "eth0");
  CHECK(table.find(unit_mac)->value_of(What::service) == "_rtsp._tcp 554 Gate\\.north");
}

TEST_CASE("this machine, groups and nobody are no units") {
  UnitTable table(nullptr, {unit_mac});
  CHECK(table.hear(arp(unit_mac, wire::ArpKind::announcement, {192, 0, 2, 10}, noon), "eth0").empty());
  CHECK(table.hear(arp(wire::broadcast_mac, wire::ArpKind::announcement, {192, 0, 2, 10}, noon), "eth0").empty());
  CHECK(table.hear(arp({}, wire::ArpKind::announcement, {192, 0, 2, 10}, noon), "eth0").empty());
  CHECK(count(table) == 0);
}

// RFC 5227 §1.1: three probes, 1 to 2 s apart, are one start.
TEST_CASE("three probes are one start; probes that begin anew are another") {
  UnitTable table(nullptr, {});
  for (const int start : {0, 40, 80})
    for (const int at : {0, 2, 4, 6, 8})
      table.hear(arp(unit_mac, at < 6 ? wire::ArpKind::probe : wire::ArpKind::announcement, {192, 0, 2, 10}, noon + std::chrono::seconds(start + at)), "eth0");
  CHECK(table.find(unit_mac)->starts == std::vector<SystemTime>{noon, noon + 40s, noon + 80s});
}

TEST_CASE("probes for what is not claimed afterwards are no start: switches and surveyors probe for others' addresses") {
  UnitTable table(nullptr, {});
  for (int n = 0; n < 10; ++n) table.hear(arp(unit_mac, wire::ArpKind::probe, {192, 0, 2, 10}, noon + n * 30s), "eth0");
  CHECK(table.find(unit_mac)->starts.empty());
}

// RFC 2131 §3.1, step 5: a client should check the address that it was given, and some do so at each renewal.
TEST_CASE("a unit that probes for its address at each renewal has not started again") {
  const auto renew = [](UnitTable& table, SystemTime when) {
    for (const int at : {0, 1, 2, 4})
      table.hear(arp(unit_mac, at < 4 ? wire::ArpKind::probe : wire::ArpKind::announcement, {192, 0, 2, 10}, when + std::chrono::seconds(at)), "eth0");
  };
  UnitTable leased(nullptr, {}), answering(nullptr, {});
  leased.hear(dhcp(unit_mac, wire::DhcpKind::discover, noon), "eth0");
  leased.hear(dhcp(unit_mac, wire::DhcpKind::request, noon + 1s), "eth0");
  for (int n = 0; n < 6; ++n) renew(leased, noon + n * 5min + 2s);
  CHECK(leased.find(unit_mac)->starts == std::vector<SystemTime>{noon});
  // Its lease was never heard of, but it answers all the while.
  for (int n = 0; n < 100; ++n) {
    answering.hear(arp(unit_mac, wire::ArpKind::reply, {192, 0, 2, 10}, noon + n * 7s), "eth0");
    if (n % 10 == 0) renew(answering, noon + n * 7s + 1s);
  }
  CHECK(answering.find(unit_mac)->starts.empty());
}

TEST_CASE("a unit that shows several signs of one start has started once") {
  UnitTable table(nullptr, {});
  table.hear(duplicate_detection(unit_mac, "fe80::1", noon), "eth0");
  table.hear(dhcp(unit_mac, wire::DhcpKind::discover, noon + 3s), "eth0");
  table.hear(arp(unit_mac, wire::ArpKind::probe, {192, 0, 2, 10}, noon + 9s), "eth0");
  table.hear(hello(unit_mac, "urn:uuid:1", "192.0.2.10", noon + 30s, 1), "eth0");
  CHECK(table.find(unit_mac)->starts.size() == 1);
}

// RFC 2131 §4.1: a client without an answer goes on, with pauses of 4, 8, 16, 32, 64 s.
TEST_CASE("a client that no server answers has not started again; one that was served and begins anew has") {
  UnitTable table(nullptr, {});
  int passed_s = 0;
  for (const int pause : {0, 4, 8, 16, 32, 64}) {
    passed_s += pause;
    table.hear(dhcp(unit_mac, wire::DhcpKind::discover, noon + std::chrono::seconds(passed_s), static_cast<std::uint16_t>(passed_s)), "eth0");
  }
  CHECK(table.find(unit_mac)->starts.size() == 1);
  // Some give up and begin anew after a pause, their clock of trying too.
  table.hear(dhcp(unit_mac, wire::DhcpKind::discover, noon + 200s, 0), "eth0");
  CHECK(table.find(unit_mac)->starts.size() == 1);
  table.hear(dhcp(unit_mac, wire::DhcpKind::request, noon + 201s), "eth0");
  table.hear(dhcp(unit_mac, wire::DhcpKind::discover, noon + 300s), "eth0");
  CHECK(table.find(unit_mac)->starts.size() == 2);
}

// RFC 2131 §3.1, step 5: the client sends a decline and begins anew after at least 10 s. §4.3.2: a server refuses by a nak.
TEST_CASE("a unit whose address is taken, or is refused, begins anew without having started") {
  for (const auto refusal : {wire::DhcpKind::decline, wire::DhcpKind::nak}) {
    UnitTable table(nullptr, {});
    for (int n = 0; n < 5; ++n) {
      const auto when = noon + n * 15s;
      table.hear(dhcp(unit_mac, wire::DhcpKind::discover, when), "eth0");
      table.hear(dhcp(unit_mac, wire::DhcpKind::request, when + 1s), "eth0");
      auto said = dhcp(unit_mac, refusal, when + 2s);
      if (refusal == wire::DhcpKind::nak) {
        std::get<wire::DhcpMessage>(said.said).from_client = false;
        said.source = other_mac;
      }
      table.hear(said, "eth0");
    }
    CHECK(table.find(unit_mac)->starts == std::vector<SystemTime>{noon});
  }
}

// RFC 2131 §4.3.2: INIT-REBOOT names the address and no server; a renewal fills ciaddr.
TEST_CASE("a unit that asks for the address it remembers has started; one that renews has not") {
  UnitTable table(nullptr, {});
  for (int n = 0; n < 3; ++n) {
    auto remembered = dhcp(unit_mac, wire::DhcpKind::request, noon + n * 60s), renewal = dhcp(unit_mac, wire::DhcpKind::request, noon + n * 60s + 30s);
    auto& m = std::get<wire::DhcpMessage>(remembered.said);
    m.transaction = 2 * static_cast<std::uint32_t>(n) + 1;
    m.requested_address = {192, 0, 2, 50};
    auto& r = std::get<wire::DhcpMessage>(renewal.said);
    r.transaction = m.transaction + 1;
    r.client_address = {192, 0, 2, 50};
    table.hear(remembered, "eth0");
    remembered.when += 10s;  // the same once more
    table.hear(remembered, "eth0");
    table.hear(renewal, "eth0");
  }
  CHECK(table.find(unit_mac)->starts == std::vector<SystemTime>{noon, noon + 60s, noon + 120s});
}

TEST_CASE("other IPv6 addresses that come later are no start, and a WS-Discovery instance that rose is one") {
  UnitTable table(nullptr, {});
  table.hear(duplicate_detection(unit_mac, "fe80::1", noon), "eth0");
  table.hear(duplicate_detection(unit_mac, "2001:db8::1", noon + 60s), "eth0");
  CHECK(table.find(unit_mac)->starts.size() == 1);
  for (const int n : {1, 1, 2, 3}) table.hear(hello(other_mac, "urn:uuid:9", "192.0.2.9", noon + n * 20s, static_cast<std::uint64_t>(n)), "eth0");
  CHECK(table.find(other_mac)->starts.size() == 3);
  // Answers whose instance is the time of day: no greeting, no start.
  for (int n = 0; n < 5; ++n) {
    auto answer = hello(mac("02:00:5e:10:00:08"), "urn:uuid:8", "192.0.2.8", noon + n * 60s, static_cast<std::uint64_t>(1000 + n * 60));
    std::get<wire::WsDiscoveryMessage>(answer.said).kind = wire::WsDiscoveryKind::probe_matches;
    table.hear(answer, "eth0");
  }
  CHECK(table.find(mac("02:00:5e:10:00:08"))->starts.empty());
}

TEST_CASE("several devices of one unit, and one that takes a new name at each start, are one entry") {
  UnitTable table(nullptr, {});
  for (const char* endpoint : {"urn:uuid:1", "urn:uuid:2", "urn:uuid:3", "urn:uuid:1"}) table.hear(hello(unit_mac, endpoint, "192.0.2.10", noon, 7), "eth0");
  CHECK(count(table) == 1);
  for (int n = 0; n < 1000; ++n) table.hear(hello(unit_mac, "urn:uuid:more-" + std::to_string(n), "192.0.2.10", noon, 7), "eth0");
  CHECK(count(table) == 1);
}

TEST_CASE("who passes a greeting on does not become one with its sender") {
  UnitTable table(nullptr, {});
  auto said = hello(unit_mac, "urn:uuid:1", "192.0.2.10", noon);
  std::get<wire::WsDiscoveryMessage>(said.said).devices[0].service_addresses = {"http://192.0.2.10/onvif/device_service"};
  table.hear(said, "eth0");
  table.hear(arp(other_mac, wire::ArpKind::announcement, {192, 0, 2, 1}, noon + 1s), "eth0");
  said.source = other_mac;  // a router, which keeps the sender's address
  table.hear(said, "eth0");
  said.sent_from = wire::decode_ip_address("192.0.2.1");  // a relay, which puts its own
  table.hear(said, "eth0");
  CHECK(count(table) == 2);
  CHECK(table.find(other_mac)->value_of(What::endpoint).empty());
  CHECK(table.find(unit_mac)->value_of(What::ipv4_address) == "192.0.2.10");
}

// IEEE 802.1AB §8.5.2: chassis id of subtype 4 is a MAC address.
TEST_CASE("a switch that speaks from each port with another address is one unit, with that of its chassis") {
  wire::LldpNeighbour m;
  m.chassis_subtype = 4;
  m.chassis_id = mac("02:00:5e:10:00:a0").text();
  m.enabled_capabilities = 1 << 2;
  m.management_address = "192.0.2.2";
  UnitTable table(nullptr, {});
  table.hear(arp(mac("02:00:5e:10:00:a0"), wire::ArpKind::announcement, {192, 0, 2, 2}, noon), "eth0");
  table.hear(sighting(mac("02:00:5e:10:00:a7"), m, noon + 1s), "eth0");
  CHECK(count(table) == 1);
  CHECK(table.find(mac("02:00:5e:10:00:a0"))->is_network);
  table.hear(sighting(mac("02:00:5e:10:00:a8"), m, noon + 2s), "eth1");
  CHECK(count(table) == 1);
  CHECK(table.find(mac("02:00:5e:10:00:a8"))->places.size() == 2);
}

TEST_CASE("a DHCP server is known by its own frames and by what clients say, and gives its client the address") {
  UnitTable table(nullptr, {});
  table.hear(dhcp(unit_mac, wire::DhcpKind::discover, noon), "eth0");
  wire::DhcpMessage ack;
  ack.kind = wire::DhcpKind::ack;
  ack.client = unit_mac;
  ack.your_address = {192, 0, 2, 50};
  ack.server = {192, 0, 2, 1};
  ack.subnet_mask = {255, 255, 255, 0};
  table.hear(sighting(other_mac, ack, noon + 1s), "eth0");
  REQUIRE(table.dhcp_servers().size() == 1);
  CHECK(table.dhcp_servers()[0].address == "192.0.2.1");
  CHECK(table.dhcp_servers()[0].hardware_address == other_mac.text());
  CHECK(table.find(other_mac)->serves_dhcp);
  CHECK(table.find(unit_mac)->value_of(What::ipv4_address) == "192.0.2.50");
}

TEST_CASE("servers that clients invent do not push out one that spoke") {
  UnitTable table(nullptr, {});
  wire::DhcpMessage offer;
  offer.kind = wire::DhcpKind::offer;
  offer.client = unit_mac;
  offer.server = {192, 0, 2, 1};
  table.hear(sighting(other_mac, offer, noon), "eth0");
  for (int n = 0; n < 200; ++n) {
    auto request = dhcp(unit_mac, wire::DhcpKind::request, noon + 1s + std::chrono::milliseconds(n));
    std::get<wire::DhcpMessage>(request.said).server = {198, 51, 100, static_cast<std::uint8_t>(n)};
    table.hear(request, "eth0");
  }
  REQUIRE(table.dhcp_servers().size() == UnitTable::most_servers);
  CHECK(table.dhcp_servers().front().address == "192.0.2.1");
  CHECK(table.dhcp_servers().back().address == "198.51.100.199");
}

TEST_CASE("a flood of forged addresses makes no room of units that are kept, and memory stays bounded") {
  UnitTable table(nullptr, {});
  table.keep(table.hear(arp(unit_mac, wire::ArpKind::announcement, {192, 0, 2, 10}, noon), "eth0").front().unit);
  for (std::uint32_t n = 0; n < 3 * UnitTable::most_units; ++n) {
    wire::MacAddress forged{{0x06, 0, static_cast<std::uint8_t>(n >> 16), static_cast<std::uint8_t>(n >> 8), static_cast<std::uint8_t>(n), 1}};
    table.hear(arp(forged, wire::ArpKind::announcement, {198, 51, 100, static_cast<std::uint8_t>(n)}, noon + std::chrono::milliseconds(n)), "eth0");
  }
  CHECK(table.find(unit_mac) != nullptr);
  CHECK(table.units().size() == UnitTable::most_units);
  CHECK(table.forgotten() == 2 * UnitTable::most_units + 1);
}

TEST_CASE("facts of one unit are bounded: the oldest goes") {
  UnitTable table(nullptr, {});
  table.hear(dhcp(unit_mac, wire::DhcpKind::inform, noon), "eth0");
  for (int n = 0; n < 200; ++n)
    table.hear(arp(unit_mac, wire::ArpKind::announcement, {198, 51, 100, static_cast<std::uint8_t>(n)}, noon + std::chrono::seconds(n)), "eth0");
  CHECK(table.find(unit_mac)->facts.size() == UnitTable::most_facts_of_a_kind + 1);
  CHECK(table.find(unit_mac)->value_of(What::ipv4_address) == "198.51.100.199");
  CHECK(table.find(unit_mac)->value_of(What::host_name) == "head-1");  // one kind does not push out the others
}

// The form of the IEEE Registration Authority's public files; the names are invented.
TEST_CASE("makers are told by the longest prefix, and never for a locally administered address") {
  MakerNames makers;
  makers.add("Registry,Assignment,Organization Name,Organization Address\r\n"
             "MA-L,00005E,\"A maker, large\",Somewhere 1\r\nMA-M,00005E7,\"Medium \"\"M\"\" maker\",\r\nMA-S,00005E712,Small maker,x\nMA-L,broken\n");
  CHECK(makers.size() == 3);
  CHECK(makers.maker_of(mac("00:00:5e:00:53:01")) == "A maker, large");
  CHECK(makers.maker_of(mac("00:00:5e:70:53:01")) == "Medium \"M\" maker");
  CHECK(makers.maker_of(mac("00:00:5e:71:23:01")) == "Small maker");
  CHECK_FALSE(makers.maker_of(mac("02:00:5e:00:53:01")));
  CHECK_FALSE(makers.maker_of(mac("00:00:5f:00:53:01")));
}
