#include "probes/link/switch_reader.hpp"
#include "probes/wire/printable.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace tallywire;
using namespace tallywire::link;

namespace {

SwitchReport look(std::uint64_t in_octets, std::uint64_t out_octets, double at_s, bool wide) {
  SwitchReport out;
  out.when = SystemTime(std::chrono::milliseconds(static_cast<std::int64_t>(at_s * 1000)));
  out.sys_uptime_s = 1000 + at_s;
  SwitchPort port;
  port.name = "p1";
  port.in_octets = in_octets;
  port.out_octets = out_octets;
  port.in_octets_are_64_bit = port.out_octets_are_64_bit = wide;
  port.link_speed_bps = 1'000'000'000;
  out.ports = {port};
  return out;
}

}  // namespace

TEST_CASE("1 250 000 000 octets in 100 s are 100 Mbit/s (check-values section 11, arithmetic)") {
  const auto rates = difference(look(0, 0, 0, true), look(1'250'000'000, 0, 100, true));
  CHECK(rates.at("p1").in_bps == Approx(100e6));
}

TEST_CASE("a 32-bit counter that wrapped once differs by 1000 octets (RFC 2863 §3.1.6; check-values section 11)") {
  const auto rates = difference(look(4'294'967'000, 0, 0, false), look(704, 0, 1, false));
  CHECK(rates.at("p1").in_bps == Approx(8000));
}

TEST_CASE("a discontinuity, a restart and a counter that went back void the difference") {
  auto before = look(0, 0, 0, true), after = look(1000, 0, 1, true);
  after.ports[0].discontinuity = 5;
  CHECK(difference(before, after).empty());
  after = look(1000, 0, 1, true);
  after.sys_uptime_s = 3;
  CHECK(difference(before, after).empty());
  CHECK(difference(look(1000, 0, 0, true), look(10, 0, 1, true)).empty());
}

TEST_CASE("counters that started anew are told with the reason") {
  auto before = look(0, 0, 0, true), after = look(1000, 0, 1, true);
  CHECK(restarted_counters(before, after).empty());
  after.ports[0].discontinuity = 5;
  CHECK(restarted_counters(before, after).at("p1") == "its counters started anew between the looks");
  after.sys_uptime_s = 3;
  CHECK(restarted_counters(before, after).at("p1") == "the switch restarted between the looks");
}

TEST_CASE("use of a port: 1 250 000 000 octets in 100 s at 1000 Mbit/s are 10 % (check-values section 11, arithmetic)") {
  const auto before = look(0, 0, 0, true), after = look(1'250'000'000, 0, 100, true);
  const auto rate = difference(before, after).at("p1");
  bool told = false;
  for (const auto& r : to_readings(after, after.ports[0], "", &rate)) {
    if (r.quantity != "in_load_ratio") continue;
    told = true;
    CHECK(*r.number() == Approx(0.10));
    CHECK(r.over == std::chrono::seconds(100));
  }
  CHECK(told);
}

TEST_CASE("errors are counted from an earlier look than the load") {
  auto before = look(0, 0, 0, true), after = look(1000, 0, 600, true);
  before.ports[0].fcs_errors = 4'294'967'290;  // 32 bits: wraps
  after.ports[0].fcs_errors = 4;
  const auto counts = difference(before, after).at("p1");
  CHECK(counts.fcs_errors == 10);
  CHECK_FALSE(counts.late_collisions);
  bool told = false;
  for (const auto& r : to_readings(after, after.ports[0], "", nullptr, &counts)) {
    CHECK(r.quantity != "in_load_ratio");
    CHECK(r.quantity != "new_late_collisions");
    told = told || (r.quantity == "new_fcs_errors" && r.number() == 10 && r.over == std::chrono::seconds(600));
  }
  CHECK(told);
}

TEST_CASE("a 32-bit counter has no rate once it may have wrapped twice: 34.36 s at 1 Gbit/s, 343.6 s at 100 Mbit/s "
          "(RFC 2863 §3.1.6; check-values section 11)") {
  const auto told = [](std::uint64_t speed_bps, double seconds) {
    auto before = look(0, 0, 0, false), after = look(1000, 0, seconds, false);
    before.ports[0].link_speed_bps = after.ports[0].link_speed_bps = speed_bps;
    return difference(before, after).contains("p1");
  };
  CHECK(told(1'000'000'000, 34.3));
  CHECK_FALSE(told(1'000'000'000, 34.4));
  CHECK(told(100'000'000, 343.5));
  CHECK_FALSE(told(100'000'000, 343.7));
  CHECK_FALSE(told(0, 1));
  CHECK(difference(look(0, 0, 0, true), look(1000, 0, 3600, true)).contains("p1"));
}

TEST_CASE("each direction has its own width (ifHCInOctets without ifHCOutOctets)") {
  auto before = look(0, 4'294'967'000, 0, true), after = look(1000, 704, 1, true);
  CHECK(difference(before, after).empty());
  before.ports[0].out_octets_are_64_bit = after.ports[0].out_octets_are_64_bit = false;
  const auto rates = difference(before, after);
  CHECK(rates.at("p1").in_bps == Approx(8000));
  CHECK(rates.at("p1").out_bps == Approx(8000));
}

TEST_CASE("two ports of one name keep a rate each") {
  auto before = look(0, 0, 0, true), after = look(1000, 0, 1, true);
  for (auto* report : {&before, &after}) {
    report->ports.push_back(report->ports[0]);
    report->ports[0].index = 1;
    report->ports[1].index = 2;
  }
  after.ports[1].in_octets = 2000;
  const auto rates = difference(before, after);
  CHECK(rates.size() == 2);
  CHECK(rates.at("p1 (ifIndex 1)").in_bps == Approx(8000));
  CHECK(rates.at("p1 (ifIndex 2)").in_bps == Approx(16000));
}

TEST_CASE("a text that is no UTF-8 becomes one (RFC 3629: surrogates and overlong forms are none)") {
  CHECK(wire::printable("Gleis S\xc3\xbc" "d") == "Gleis S\xc3\xbc" "d");
  CHECK(wire::printable("Gleis S\xfc" "d") == "Gleis S\xef\xbf\xbd" "d");
  CHECK(wire::printable("\xed\xa0\x80") == "\xef\xbf\xbd\xef\xbf\xbd\xef\xbf\xbd");
  CHECK(wire::printable("\xc0\xaf") == "\xef\xbf\xbd\xef\xbf\xbd");
  CHECK(wire::printable("cut \xe2\x82") == "cut \xef\xbf\xbd\xef\xbf\xbd");
  CHECK(wire::printable(std::string("p1\0\0", 4)) == "p1");
  CHECK(wire::printable("a\x1b[2J") == "a\xef\xbf\xbd[2J");
  auto report = look(0, 0, 0, true);
  report.ports[0].alias = wire::printable("Gleis S\xfc" "d");
  nlohmann::json out;
  to_json(out, report);
  CHECK_NOTHROW(out.dump());
}

TEST_CASE("a table that the switch lacks is unread for that alone") {
  auto report = look(0, 0, 0, true);
  report.unread["etherlike_mib"] = "the switch has no EtherLike-MIB";
  report.ports[0].link_speed_bps = 1'000'000'000;
  for (const auto& reading : to_readings(report, report.ports[0], "camera/gate")) {
    if (reading.quantity == "link_speed_bps") CHECK(reading.number() == 1e9);
    if (reading.quantity == "duplex") CHECK(reading.unread == "the switch has no EtherLike-MIB");
  }
}

TEST_CASE("a switch that is not there is told within its limit") {
  SwitchAccess access;
  access.address = "127.0.0.1";
  access.udp_port = 9;
  access.community = "nobody";
  const auto report = read_switch(access, std::chrono::seconds(5));
  REQUIRE_FALSE(report.has_value());
  CHECK_FALSE(report.error().try_next.empty());
}
