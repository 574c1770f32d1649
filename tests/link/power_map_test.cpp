// RFC 3621: a power port is counted by group and port, which is not ifIndex, and no table joins the two.
#include "probes/link/switch_tables.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::link;

namespace {

using PowerPorts = std::vector<std::pair<std::uint32_t, std::uint32_t>>;

std::vector<SwitchPort> named(const std::vector<std::string>& names) {
  std::vector<SwitchPort> out;
  for (const auto& name : names) {
    SwitchPort p;
    p.index = static_cast<std::uint32_t>(500 + out.size());
    p.type = 6;
    p.name = name;
    out.push_back(p);
  }
  return out;
}

}  // namespace

TEST_CASE("ENTITY-MIB goes before names: a port at a position of the group") {
  const std::vector<Entity> entities = {{1, 0, 3, 1, {}}, {11, 1, 10, 1, 501}, {12, 1, 10, 2, 500}};
  const auto map = map_power_ports({{1, 1}, {1, 2}}, named({"p1", "p2"}), {}, entities);
  CHECK(map.rule == "position of the port in ENTITY-MIB");
  CHECK(map.interface_of.at({1, 1}) == 501);
  CHECK(map.interface_of.at({1, 2}) == 500);
}

TEST_CASE("without entities the number in the name joins, in a stack with the first one as the group") {
  const auto one = map_power_ports({{1, 1}, {1, 2}}, named({"up", "p2", "p1"}), {}, {});
  CHECK(one.rule == "last number of the port's name");
  CHECK(one.interface_of.at({1, 1}) == 502);
  const auto stack = map_power_ports({{1, 1}, {2, 1}}, named({"1/0/1", "2/0/1"}), {}, {});
  CHECK(stack.rule == "first and last number of the port's name");
  CHECK(stack.interface_of.at({2, 1}) == 501);
}

TEST_CASE("names that two ports share lead to the bridge's numbers, and these to the order") {
  const auto bridge = map_power_ports({{1, 1}, {1, 2}}, named({"a1", "b1", "c"}), {{1, 502}, {2, 500}, {3, 501}}, {});
  CHECK(bridge.rule == "number of the bridge port");
  CHECK(bridge.interface_of.at({1, 1}) == 502);
  const auto order = map_power_ports({{1, 11}, {1, 12}}, named({"a", "b"}), {{1, 501}, {2, 500}}, {});
  CHECK(order.rule == "order of the ports");
  CHECK(order.interface_of.at({1, 11}) == 501);
}

TEST_CASE("where no rule takes all of them, none is guessed") {
  CHECK(map_power_ports({{1, 7}, {1, 8}}, named({"a", "b", "c"}), {{1, 500}, {2, 501}, {3, 502}}, {}).rule.empty());
  CHECK(map_power_ports({{1, 1}}, {}, {}, {}).rule.empty());
}
