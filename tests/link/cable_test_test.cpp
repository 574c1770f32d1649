// What a driver sends, by the layout of Linux's ethtool netlink (include/uapi/linux/ethtool_netlink.h).
#include "probes/link/cable_test.hpp"
#include "probes/link/ethernet_port.hpp"
#include "probes/link/netlink.hpp"

#include <catch2/catch.hpp>
#include <linux/ethtool_netlink.h>
#include <linux/netlink.h>

using namespace tallywire;
using namespace tallywire::link;

namespace {

using Octets = std::vector<std::uint8_t>;

template <class T>
Octets attribute(std::uint16_t type, T value) {
  Octets out;
  put_attribute(out, type, &value, sizeof value);
  return out;
}

Octets nested(std::uint16_t type, std::initializer_list<Octets> parts) {
  Octets inside, out;
  for (const auto& part : parts) inside.insert(inside.end(), part.begin(), part.end());
  put_attribute(out, type | NLA_F_NESTED, inside.data(), inside.size());
  return out;
}

Octets result(std::uint8_t pair, std::uint8_t code) {
  return nested(ETHTOOL_A_CABLE_NEST_RESULT, {attribute(ETHTOOL_A_CABLE_RESULT_PAIR, pair), attribute(ETHTOOL_A_CABLE_RESULT_CODE, code)});
}

Octets fault_at(std::uint8_t pair, std::uint32_t cm) {
  return nested(ETHTOOL_A_CABLE_NEST_FAULT_LENGTH, {attribute(ETHTOOL_A_CABLE_FAULT_LENGTH_PAIR, pair), attribute(ETHTOOL_A_CABLE_FAULT_LENGTH_CM, cm)});
}

Octets joined(std::initializer_list<Octets> parts) {
  Octets out;
  for (const auto& part : parts) out.insert(out.end(), part.begin(), part.end());
  return out;
}

}  // namespace

TEST_CASE("each pair's result and its distance come out of the notification that ends the test") {
  CableReport report;
  const auto begun = attribute(ETHTOOL_A_CABLE_TEST_NTF_STATUS, std::uint8_t{ETHTOOL_A_CABLE_TEST_NTF_STATUS_STARTED});
  CHECK_FALSE(take_cable_notification(list_attributes(begun), report));
  CHECK(report.pairs.empty());
  const auto octets = joined({attribute(ETHTOOL_A_CABLE_TEST_NTF_STATUS, std::uint8_t{ETHTOOL_A_CABLE_TEST_NTF_STATUS_COMPLETED}),
                              nested(ETHTOOL_A_CABLE_TEST_NTF_NEST,
                                     {result(ETHTOOL_A_CABLE_PAIR_A, ETHTOOL_A_CABLE_RESULT_CODE_OK),
                                      result(ETHTOOL_A_CABLE_PAIR_C, ETHTOOL_A_CABLE_RESULT_CODE_OPEN), fault_at(ETHTOOL_A_CABLE_PAIR_C, 3250),
                                      result(ETHTOOL_A_CABLE_PAIR_D, ETHTOOL_A_CABLE_RESULT_CODE_CROSS_SHORT), result(9, 1), fault_at(200, 1)})});
  CHECK(take_cable_notification(list_attributes(octets), report));
  REQUIRE(report.pairs.size() == 3);
  CHECK(report.pairs[0].result == "whole");
  CHECK_FALSE(report.pairs[0].distance_m);
  CHECK(std::string(report.pairs[1].wires) == "4-5");
  CHECK(report.pairs[1].result == "open");
  CHECK(report.pairs[1].distance_m == 32.5);
  CHECK(report.pairs[2].result == "shorted to another pair");
  // Cut anywhere, it says less or nothing, and nothing else.
  for (std::size_t length = 0; length < octets.size(); ++length) {
    CableReport less;
    take_cable_notification(list_attributes({octets.data(), length}), less);
    CHECK(less.pairs.size() <= 3);
  }
}

TEST_CASE("the driver's own counters of the groups eth-phy and eth-mac") {
  const auto group = [](std::uint32_t id, std::initializer_list<Octets> counters) {
    Octets inside = attribute(ETHTOOL_A_STATS_GRP_ID, id);
    for (const auto& c : counters) {
      const auto nest = nested(ETHTOOL_A_STATS_GRP_STAT, {c});
      inside.insert(inside.end(), nest.begin(), nest.end());
    }
    Octets out;
    put_attribute(out, ETHTOOL_A_STATS_GRP | NLA_F_NESTED, inside.data(), inside.size());
    return out;
  };
  const auto octets = joined({group(ETHTOOL_STATS_ETH_PHY, {attribute(ETHTOOL_A_STATS_ETH_PHY_5_SYM_ERR, std::uint64_t{7})}),
                              group(ETHTOOL_STATS_ETH_MAC, {attribute(ETHTOOL_A_STATS_ETH_MAC_6_FCS_ERR, std::uint64_t{1} << 40),
                                                            attribute(ETHTOOL_A_STATS_ETH_MAC_10_LATE_COL, std::uint64_t{3}),
                                                            attribute(ETHTOOL_A_STATS_ETH_MAC_7_ALIGN_ERR, std::uint32_t{5})})});
  const auto counters = driver_counters(list_attributes(octets));
  CHECK(counters.size() == 3);  // what is too short for a counter is none
  CHECK(counters.at("symbol_errors") == std::pair<std::string, std::uint64_t>("eth-phy", 7));
  CHECK(counters.at("fcs_errors") == std::pair<std::string, std::uint64_t>("eth-mac", 1ull << 40));
  CHECK(counters.at("late_collisions").second == 3);
}

TEST_CASE("what a port counted between two looks, and what both ends offer, are readings") {
  PortReport before, after;
  before.when = SystemTime(std::chrono::seconds(10));
  after.when = SystemTime(std::chrono::seconds(12));
  before.counters = {{"fcs_errors", 5}, {"rx_packets", 100}, {"late_collisions", 9}};
  after.counters = {{"fcs_errors", 9}, {"rx_packets", 300}, {"late_collisions", 1}};
  for (const auto& [name, value] : after.counters) after.counter_sources[name] = "driver (eth-mac)";
  after.offered_speed_bps = 1'000'000'000;
  std::map<std::string, double> told;
  for (const auto& r : to_readings(after, "port/eth0", &before))
    if (r.number()) told[r.quantity] = *r.number();
  CHECK(told == std::map<std::string, double>{{"offered_speed_bps", 1e9}, {"new_fcs_errors", 4}, {"new_in_packets", 200}});
}

TEST_CASE("what the neighbour offers by LLDP stands in where the driver does not tell") {
  PortReport port;
  port.own_modes = {"100baseT/Full", "1000baseT/Full"};
  port.unread["peer_modes"] = "the other end's offer is not told";
  take_neighbours_offer(port, {});
  CHECK(port.unread.contains("peer_modes"));
  take_neighbours_offer(port, {"100baseT/Full"});
  CHECK(port.unread.empty());
  CHECK(port.offered_speed_bps == 100'000'000);
  CHECK(port.peer_modes_source == "LLDP");
  take_neighbours_offer(port, {"1000baseT/Full"});  // what is told already stays
  CHECK(port.offered_speed_bps == 100'000'000);
}

TEST_CASE("a cable test of a port that is not there, or whose driver has none, says so") {
  const std::atomic<bool> no_stop{false};
  CHECK(test_cable("", no_stop).error().kind == FaultKind::bad_request);
  CHECK_FALSE(test_cable("nobody0", no_stop).has_value());
}
