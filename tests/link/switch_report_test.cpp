#include "probes/link/switch_reader.hpp"

#include <catch2/catch.hpp>

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
  port.octets_are_64_bit = wide;
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
