// Conflicts that the arrivals show. Addresses from documentation ranges; the site is invented.
#include "daemon/verdict/arrival_findings.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::verdict;
using namespace std::chrono_literals;

namespace {

const SystemTime noon = from_rfc3339("2026-11-26T12:00:00.000Z");

config::Design site() {
  config::Design d;
  const auto camera = [&](const char* id, const char* address, const char* hardware, const char* port) {
    config::Camera c;
    c.id = id;
    c.address = address;
    c.hardware_address = hardware;
    c.switch_id = "hall";
    c.port = port;
    d.cameras.push_back(c);
  };
  camera("gate", "198.51.100.31", "02:00:5e:10:00:01", "p1");
  camera("yard", "198.51.100.32", "02:00:5e:10:00:02", "p2");
  return d;
}

SeenUnit seen(const char* camera, const char* hardware, const char* address, SystemTime since = noon, SystemTime last = noon + 60s) {
  SeenUnit u;
  u.name = hardware;
  u.camera = camera;
  u.matched_by = *camera ? "hardware_address" : "";
  u.hardware_addresses = {hardware};
  u.addresses = {{address, since, last}};
  u.last_heard = last;
  return u;
}

std::vector<Finding> find(Arrivals arrivals, SystemTime at = noon + 60s) {
  static const auto design = site();
  if (!arrivals.own) arrivals.own = {{"eth0", "198.51.100.20", 24}};
  return find_arrival_conflicts(&design, arrivals, at);
}

bool has(const std::string& text, const char* part) { return text.find(part) != std::string::npos; }

const auto gate = seen("gate", "02:00:5e:10:00:01", "198.51.100.31");
const auto yard = seen("yard", "02:00:5e:10:00:02", "198.51.100.32");

}  // namespace

TEST_CASE("a site as designed has no finding") { CHECK(find({{gate, yard}, {}, std::nullopt}).empty()); }

TEST_CASE("one address on two units is told once; one that took over from a unit that left is none") {
  auto thief = seen("", "02:00:5e:10:00:66", "198.51.100.31", noon + 30s, noon + 50s);
  const auto found = find({{gate, yard, thief}, {}, std::nullopt});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "address_twice");
  CHECK(found[0].subject == "camera/gate");
  CHECK(has(found[0].sentence, "Camera gate (02:00:5e:10:00:01) and unit 02:00:5e:10:00:66 both say that 198.51.100.31 is theirs"));
  auto gone = gate;
  gone.addresses[0].last_heard = noon + 10s;
  CHECK(find({{gone, yard, thief}, {}, {}}).empty());
  gone.addresses[0].last_heard = noon + 30s - 5ms;  // both answered the same question, once
  CHECK(find({{gone, yard, thief}, {}, {}}).size() == 1);
}

TEST_CASE("two cameras with each other's address are swapped, told once and not as two wrong addresses") {
  const auto found = find({{seen("gate", "02:00:5e:10:00:01", "198.51.100.32"), seen("yard", "02:00:5e:10:00:02", "198.51.100.31")}, {}, std::nullopt});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "units_swapped");
  CHECK(has(found[0].sentence, "Cameras gate and yard are swapped: each has the other's address"));
}

TEST_CASE("two cameras on each other's port are swapped") {
  auto a = gate, b = yard;
  a.seen_on = "hall/p2";
  b.seen_on = "hall/p1";
  const auto found = find({{a, b}, {}, std::nullopt});
  REQUIRE(found.size() == 1);
  CHECK(has(found[0].sentence, "each has the other's port (hall/p2 and hall/p1)"));
  b.seen_on = "hall/p3";
  CHECK(find({{a, b}, {}, std::nullopt}).empty());  // one on a wrong port is the round's finding
}

// RFC 3927 §2.1: 169.254.1.0 to 169.254.254.255.
TEST_CASE("a link-local unit is told with the address to reach it, within RFC 3927's range") {
  const auto found = find({{seen("gate", "02:00:5e:10:00:01", "169.254.7.9"), yard}, {}, std::nullopt});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "address_link_local");
  CHECK(has(found[0].next_step, "give this machine 169.254.254.254/16 as a second address"));
}

TEST_CASE("a unit on a foreign subnet is told with an address that nobody has been heard with") {
  auto foreign = seen("gate", "02:00:5e:10:00:01", "192.0.2.10");
  auto stranger = seen("", "02:00:5e:10:00:77", "192.0.2.254");
  const auto found = find({{foreign, yard, stranger}, {}, std::nullopt});
  REQUIRE(found.size() == 2);
  CHECK(found[0].id == "address_not_designed");
  CHECK(has(found[0].sentence, "is at 192.0.2.10, the design wants it at 198.51.100.31; perhaps this is its factory setting"));
  CHECK(has(found[0].next_step, "192.0.2.253/24"));
  CHECK(found[1].id == "address_out_of_reach");
  // The mask that a DHCP server gave is better than a guess.
  CHECK(has(find({{foreign}, {{"192.0.2.1", "", "eth0", "255.255.255.192", noon, noon}}, std::nullopt})[0].next_step, "192.0.2.62/26"));
}

TEST_CASE("a camera at its designed address that this machine cannot reach is told so") {
  const auto found = find({{gate, yard}, {}, std::vector<OwnAddress>{{"eth0", "203.0.113.5", 24}}});
  REQUIRE(found.size() == 1);  // once, not of each camera
  CHECK(found[0].id == "address_out_of_reach");
  CHECK(has(found[0].sentence, "2 cameras are at their designed addresses, in a subnet that this machine has no address in"));
  CHECK(has(found[0].next_step, "198.51.100.254/24"));
  CHECK(has(find({{gate}, {}, std::vector<OwnAddress>{}})[0].sentence, "Camera gate (02:00:5e:10:00:01) is at 198.51.100.31"));
}

TEST_CASE("two DHCP servers in one place are told while both are there") {
  const SeenDhcpServer a{"198.51.100.1", "02:00:5e:10:00:a1", "eth0", "", noon, noon + 20s}, b{"198.51.100.9", "", "eth0", "", noon, noon + 20s};
  const auto found = find({{}, {a, b}, std::nullopt});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "dhcp_twice");
  CHECK(find({{}, {a}, std::nullopt}).empty());
  CHECK(find({{}, {a, b}, std::nullopt}, noon + 11min).empty());
  auto elsewhere = b;
  elsewhere.where = "eth0 VLAN 20";
  CHECK(find({{}, {a, elsewhere}, std::nullopt}).empty());
}

TEST_CASE("a DHCP server that took over, a pair behind a relay, and one with two addresses are not two") {
  const SeenDhcpServer a{"198.51.100.1", "02:00:5e:10:00:a1", "eth0", "", noon - 60s, noon};
  const SeenDhcpServer later{"198.51.100.9", "02:00:5e:10:00:a9", "eth0", "", noon + 30s, noon + 40s};
  CHECK(find({{}, {a, later}, {}}).empty());
  auto left = a, right = a;
  right.address = "198.51.100.9";
  CHECK(find({{}, {left, right}, {}}).empty());
  left.through_relay = right.through_relay = true;
  left.hardware_address = right.hardware_address = "";
  CHECK(find({{}, {left, right}, {}}).empty());
  CHECK(find({{}, {left, a}, {}}).empty());  // the same
  auto rogue = a;
  rogue.address = "198.51.100.77";
  CHECK(find({{}, {left, rogue}, {}}).size() == 1);
  // Named by clients alone, and on no network of this machine's: behind a relay, most likely.
  left.through_relay = right.through_relay = false;
  left.address = "203.0.113.1";
  right.address = "203.0.113.2";
  CHECK(find({{}, {left, right}, {}}).empty());
}

TEST_CASE("one address on two units is none where it is two networks, one machine, or a router's") {
  auto a = seen("", "02:00:5e:10:00:61", "192.0.2.10"), b = seen("", "02:00:5e:10:00:62", "192.0.2.10");
  const auto twice = [](const SeenUnit& x, const SeenUnit& y) {
    for (const auto& f : find({{x, y}, {}, std::vector<OwnAddress>{{"eth0", "192.0.2.1", 24}}}))
      if (f.id == "address_twice") return true;
    return false;
  };
  CHECK(twice(a, b));
  a.places = {"eth0 VLAN 10"};
  b.places = {"eth0 VLAN 20"};
  CHECK_FALSE(twice(a, b));
  b.places = {"eth0 VLAN 20", "eth0 VLAN 10"};
  CHECK(twice(a, b));
  auto goes_on = b;  // long after the other fell silent: it is over
  goes_on.addresses[0].last_heard = noon + 12min;
  CHECK_FALSE(twice(a, goes_on));
  // Two cards of a recorder on one segment, each answering for both addresses.
  auto card = a, other_card = b;
  for (auto* one : {&card, &other_card}) one->addresses.push_back({"192.0.2.11", noon, noon + 60s});
  CHECK_FALSE(twice(card, other_card));
  // RFC 9568 §7.3: 00-00-5E-00-01-{VRID}.
  auto router = a;
  router.hardware_addresses = {"00:00:5e:00:01:07"};
  CHECK_FALSE(twice(router, b));
  // RFC 1027: it answers for whomever is asked for.
  auto proxy = a;
  for (int n = 20; n < 26; ++n) proxy.addresses.push_back({"192.0.2." + std::to_string(n), noon, noon + 60s});
  CHECK_FALSE(twice(proxy, b));
  CHECK(find({{proxy}, {}, std::vector<OwnAddress>{{"eth0", "198.51.100.20", 24}}}).empty());
}

TEST_CASE("two units that call themselves by one name at the same time are told once") {
  auto a = gate, b = seen("", "02:00:5e:10:00:66", "198.51.100.77", noon + 10s);
  a.endpoint = b.endpoint = "urn:uuid:1";
  const auto found = find({{a, yard, b}, {}, {}});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "endpoint_twice");
  CHECK(found[0].subject == "camera/gate");
  CHECK(has(found[0].sentence, "Two units call themselves by the same name urn:uuid:1: one was copied from the other, or one unit has two cards"));
  CHECK(has(found[0].evidence[1], "unit 02:00:5e:10:00:66 at 198.51.100.77"));
  a.addresses[0].last_heard = a.last_heard = noon + 5s;  // its card was changed
  CHECK(find({{a, yard, b}, {}, {}}).empty());
  b.endpoint = "urn:uuid:2";
  CHECK(find({{gate, yard, b}, {}, {}}).empty());
}

TEST_CASE("a second address beside the right one is no finding") {
  auto with_link_local = gate, stranger = seen("", "02:00:5e:10:00:66", "198.51.100.77");
  with_link_local.addresses.push_back({"169.254.7.9", noon, noon + 61s});
  stranger.addresses.push_back({"169.254.7.8", noon, noon + 61s});
  CHECK(find({{with_link_local, yard, stranger}, {}, {}}).empty());
  // It answered at the designed one for the last time a minute before.
  with_link_local.addresses[0].last_heard = noon;
  CHECK(find({{with_link_local, yard}, {}, {}})[0].id == "address_link_local");
}

TEST_CASE("a unit that speaks through a router is not out of reach") {
  auto far = seen("", "urn:uuid:1", "203.0.113.10");
  far.hardware_addresses.clear();
  CHECK(find({{far}, {}, {}}).empty());
}

TEST_CASE("a unit that starts again and again is told with count and period") {
  auto restarting = gate;
  restarting.starts = {noon, noon + 40s};
  CHECK(find({{restarting}, {}, std::nullopt}, noon + 41s).empty());
  restarting.starts = {noon - 3h, noon, noon + 40s, noon + 84s};
  const auto found = find({{restarting}, {}, std::nullopt}, noon + 90s);
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "starts_again");
  CHECK(has(found[0].sentence, "has started 3 times, about every 42 s"));
  CHECK(has(found[0].next_step, "power first"));
  CHECK(find({{restarting}, {}, std::nullopt}, noon + 30min).empty());
}

TEST_CASE("a serial number that fits and a hardware address that does not are told, and the other way round") {
  auto by_serial = seen("gate", "02:00:5e:10:00:99", "198.51.100.31");
  by_serial.matched_by = "serial";
  by_serial.serial = "TD-1";
  CHECK(find({{by_serial}, {}, std::nullopt})[0].id == "other_hardware_address");
  auto design = site();
  design.cameras[0].serial = "TD-1";
  auto other = gate;
  other.serial = "TD-2";
  const auto found = find_arrival_conflicts(&design, {{other}, {}, std::nullopt}, noon);
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "other_unit");
}

TEST_CASE("a stranger on the port of a camera that is missing may have replaced it") {
  auto stranger = seen("", "02:00:5e:10:00:77", "198.51.100.77");
  stranger.seen_on = "hall/p1";
  const auto found = find({{stranger, yard}, {}, std::nullopt});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "other_unit_on_port");
  CHECK(found[0].subject == "camera/gate");
  CHECK(find({{stranger, yard, gate}, {}, std::nullopt}).empty());
}

TEST_CASE("without a design the wire alone is judged") {
  auto starts = seen("", "02:00:5e:10:00:01", "192.0.2.10");
  starts.starts = {noon, noon + 30s, noon + 60s};
  const auto found = find_arrival_conflicts(nullptr, {{starts}, {}, std::nullopt}, noon + 60s);
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "starts_again");
}
