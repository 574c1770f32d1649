// Asks about cables: this machine's port and its neighbour, and a switch.
#include "daemon/round/access.hpp"
#include "daemon/round/ask_parts.hpp"
#include "daemon/round/switch_answer.hpp"
#include "daemon/verdict/link_findings.hpp"
#include "probes/arrivals/neighbour.hpp"
#include "probes/deadline.hpp"
#include "probes/link/cable_test.hpp"
#include "probes/link/ethernet_port.hpp"
#include "probes/link/mau.hpp"
#include "probes/link/switch_reader.hpp"

#include <boost/asio/ip/address.hpp>

#include <algorithm>

namespace tallywire::round {

namespace asio = boost::asio;
using nlohmann::json;
using namespace std::chrono_literals;

namespace {

constexpr double between_looks_s = 2;
constexpr double cable_test_s = 15;  // at most

Outcome<std::vector<link::PortReport>> read_ports(const std::string& interface) {
  std::vector<link::PortReport> out;
  for (const auto& name : interface.empty() ? link::list_ports() : std::vector<std::string>{interface}) {
    auto port = link::read_port(name);
    if (!port) return port.error();
    out.push_back(std::move(*port));
  }
  return out;
}

// Waits, telling progress; ends early with a stop.
asio::awaitable<void> wait_between_looks(double seconds, AskProgress progress, Stop& stop) {
  for (double waited = 0; waited < seconds && !stop.requested(); waited += 0.1) {
    if (progress) progress(waited, seconds, "waiting for the second look");
    co_await pause_for(milliseconds_of(std::min(0.1, seconds - waited)));
  }
}

}  // namespace

asio::awaitable<void> Asks::hear_neighbour(std::string interface, double seconds, json& port, AskProgress progress, Stop& stop) {
  std::function<Outcome<std::optional<wire::LldpNeighbour>>()> hear = [interface, seconds, &stop] {
    return arrivals::hear_neighbour(interface, milliseconds_of(seconds), stop.flag());
  };
  if (progress) progress(0, seconds, "waiting for the neighbour's LLDP frame");
  auto heard = co_await offload<Outcome<std::optional<wire::LldpNeighbour>>>(blocking_, std::move(hear));
  if (!heard) {
    port["unread"]["neighbour"] = heard.error().sentence();
  } else if (!*heard) {
    port["unread"]["neighbour"] = stop.requested() ? "stopped before it was heard" : "no LLDP frame came within " + figure(seconds) + " s";
  } else {
    const auto& n = **heard;
    port["neighbour"] = {{"chassis_id", n.chassis_id},   {"port_id", n.port_id},
                         {"port_description", n.port_description}, {"system_name", n.system_name},
                         {"system_description", n.system_description}, {"management_address", n.management_address},
                         {"modes", json::array()}, {"runs", nullptr}};
    if (n.mac_phy) {
      const std::uint8_t bits[] = {static_cast<std::uint8_t>(n.mac_phy->advertised >> 8), static_cast<std::uint8_t>(n.mac_phy->advertised & 0xff)};
      port["neighbour"]["modes"] = link::modes_of_capability_bits(bits);
      if (const auto* type = link::mau_type(n.mac_phy->mau_type)) port["neighbour"]["runs"] = type->name;
    }
  }
}

asio::awaitable<void> Asks::run_cable_test(std::string interface, json& port, AskProgress progress, Stop& stop) {
  if (progress) progress(0, cable_test_s, "testing the cable: the link is down meanwhile");
  std::function<Outcome<link::CableReport>()> test = [interface, &stop] { return link::test_cable(interface, stop.flag()); };
  auto report = co_await offload<Outcome<link::CableReport>>(blocking_, std::move(test));
  port["cable_test"] = nullptr;
  if (report)
    port["cable_test"] = {{"pairs", report->pairs}};
  else
    port["unread"]["cable_test"] = report.error().sentence();
}

asio::awaitable<AskAnswer> Asks::link(json arguments, AskProgress progress, Stop& stop) {
  const auto interface = word(arguments, "interface");
  const bool cable_test = arguments.value("cable_test", false);
  if (cable_test && interface.empty())
    co_return failed({FaultKind::bad_request, "which port's cable is to be tested?", "", "name one interface: the test takes its link down for some seconds"});
  const double seconds = number(arguments, "seconds", static_cast<double>(arrivals::neighbour_patience.count()));
  if (seconds < 0 || seconds > 86'400) co_return failed({FaultKind::bad_request, "the number of seconds must be from 0 to 86400", "", ""});
  std::function<Outcome<std::vector<link::PortReport>>()> look = [interface] { return read_ports(interface); };
  auto again = look;
  auto ports = co_await offload<Outcome<std::vector<link::PortReport>>>(blocking_, std::move(look));
  if (!ports) co_return failed(ports.error());
  const auto before = *ports;
  json heard = {{"neighbour", nullptr}, {"unread", json::object()}};
  // One port, and a neighbour to wait for: where this cable ends. What it counts meanwhile tells whether it is dirty.
  if (!interface.empty()) {
    if (before.front().link_state.value_or("") != "up")
      heard["unread"]["neighbour"] = "the link is not up";
    else if (seconds <= 0)
      heard["unread"]["neighbour"] = "it was not waited for";
    else
      co_await hear_neighbour(interface, seconds, heard, progress, stop);
    auto second = co_await offload<Outcome<std::vector<link::PortReport>>>(blocking_, std::move(again));
    if (second) ports = std::move(second);
    if (heard["neighbour"].is_object()) link::take_neighbours_offer(ports->front(), heard["neighbour"]["modes"].get<std::vector<std::string>>());
  }
  json answer = {{"ports", *ports}};
  for (std::size_t i = 0; i < ports->size(); ++i) {
    const auto& port = (*ports)[i];
    answer["ports"][i]["findings"] = verdict::find_link_causes(
        link::to_readings(port, "port/" + port.interface, interface.empty() ? nullptr : &before[i]));
  }
  if (!interface.empty()) {
    auto& port = answer["ports"][0];
    port["neighbour"] = heard["neighbour"];
    port["unread"].update(heard["unread"]);
    if (cable_test) co_await run_cable_test(interface, port, std::move(progress), stop);
  }
  const bool whole = std::all_of(answer["ports"].begin(), answer["ports"].end(), [](const json& p) { return p.at("unread").empty(); });
  AskAnswer out{std::move(answer), whole ? 0 : 3};
  co_return out;
}

asio::awaitable<AskAnswer> Asks::look_at_switch(json arguments, AskProgress progress, Stop& stop) {
  const double port = number(arguments, "udp_port", 161), seconds = number(arguments, "seconds", between_looks_s);
  const auto address = word(arguments, "address"), secret = word(arguments, "snmp");
  if (port_is_wrong(port)) co_return failed({FaultKind::bad_request, "there is no such UDP port", address, "1 to 65535"});
  if (seconds < 0 || seconds > 86'400) co_return failed({FaultKind::bad_request, "the number of seconds must be from 0 to 86400", "", ""});
  boost::system::error_code no_address;
  asio::ip::make_address(address, no_address);
  if (no_address) co_return failed({FaultKind::bad_request, "this is no IP address", address, "write the switch's address in numbers"});
  const auto access = snmp_of(secrets_, secret, address, static_cast<std::uint16_t>(port));
  if (!access) co_return failed(no_secret(secret));
  std::function<Outcome<link::SwitchReport>()> look = [access = *access] { return link::read_switch(access, 30s); };
  auto again = look;
  auto first = co_await offload<Outcome<link::SwitchReport>>(blocking_, std::move(look));
  if (!first) co_return failed(first.error());
  std::optional<link::SwitchReport> before;
  link::SwitchReport report = std::move(*first);
  if (seconds > 0) co_await wait_between_looks(seconds, std::move(progress), stop);
  if (seconds > 0 && !stop.requested()) {
    auto second = co_await offload<Outcome<link::SwitchReport>>(blocking_, std::move(again));
    if (second) {
      before = std::move(report);
      report = std::move(*second);
    }
  }
  auto answer = switch_answer(std::move(report), before, design_);
  co_return read(std::move(answer));
}

}  // namespace tallywire::round
