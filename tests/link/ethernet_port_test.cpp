#include "probes/link/ethernet_port.hpp"
#include "probes/link/netlink.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::link;

TEST_CASE("an interface that is not there is a wrong request") {
  for (const char* name : {"", "nobody0", "../etc", "a-name-that-is-far-too-long"}) {
    const auto port = read_port(name);
    REQUIRE_FALSE(port.has_value());
    CHECK(port.error().kind == FaultKind::bad_request);
  }
}

TEST_CASE("every port of this machine is read by netlink, or says why a field is not") {
  for (const auto& name : list_ports()) {
    const auto port = read_port(name);
    REQUIRE(port.has_value());
    CHECK((port->link_state || port->unread.contains("link_state")));
    CHECK((port->link_speed_bps || port->unread.contains("link_speed_bps")));
  }
}

TEST_CASE("netlink attributes cut or lying about their length end the walk") {
  const std::uint8_t octets[] = {8, 0, 1, 0, 1, 2, 3, 4, 255, 0, 2, 0};
  for (std::size_t length = 0; length <= sizeof octets; ++length) CHECK(list_attributes({octets, length}).size() <= 1);
}
