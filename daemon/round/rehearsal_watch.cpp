#include "daemon/round/rehearsal_watch.hpp"

#include "daemon/round/access.hpp"
#include "daemon/verdict/routes.hpp"
#include "probes/deadline.hpp"

namespace tallywire::round {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr auto switch_limit = 10s;

}  // namespace

void RehearsalWatch::watch_switches(const config::Design& design, const std::vector<std::size_t>& uplinks, const config::Secrets& secrets) {
  const auto links = verdict::links_of(design);
  std::map<std::string, std::set<std::string>> ports;
  for (const auto directed : uplinks)
    for (const auto& sw : design.switches)
      for (const auto& uplink : sw.uplinks)
        if (config::subject_of(sw, uplink) == links[directed / 2].subject) ports[sw.id].insert(uplink.port);
  for (const auto& sw : design.switches) {
    if (!ports.contains(sw.id)) continue;
    const std::string what = "switch " + sw.id;
    const auto access = sw.snmp ? snmp_of(secrets, sw.snmp->secret, sw.address, sw.snmp->udp_port) : std::nullopt;
    if (!sw.snmp)
      lacks(what, "the design gives no SNMP access to it");
    else if (!access)
      lacks(what, "there is no secret “" + sw.snmp->secret + "”");
    else
      switches_.push_back({sw.id, *access, ports[sw.id], std::nullopt});
  }
}

asio::awaitable<std::optional<link::SwitchReport>> RehearsalWatch::read(WatchedSwitch& one) {
  std::function<Outcome<link::SwitchReport>()> reading = [access = one.access] { return link::read_switch(access, switch_limit); };
  auto report = co_await offload<Outcome<link::SwitchReport>>(blocking_, std::move(reading));
  std::optional<link::SwitchReport> out;
  if (report)
    out = std::move(*report);
  else
    lacks("switch " + one.id, report.error().sentence());
  co_return out;
}

asio::awaitable<void> RehearsalWatch::begin() {
  for (auto& one : switches_) one.before = co_await read(one);
  std::erase_if(switches_, [](const auto& one) { return !one.before; });
}

void RehearsalWatch::take(const WatchCounts& counts) { counts_ = counts; }

std::optional<std::string> RehearsalWatch::harm() { return counts_ ? harm_by_packets({}, *counts_) : std::nullopt; }

asio::awaitable<std::optional<std::string>> RehearsalWatch::look() {
  std::optional<std::string> out = harm();
  for (auto& one : switches_) {
    if (out) break;
    auto now = co_await read(one);
    if (!now) continue;  // told in unread; the next look may come through
    out = harm_by_counters(*one.before, *now, one.ports);
  }
  co_return out;
}

}  // namespace tallywire::round
