#include "daemon/round/rehearsal_watch.hpp"

#include "daemon/round/access.hpp"
#include "daemon/verdict/routes.hpp"
#include "probes/deadline.hpp"
#include "probes/path/delay_session.hpp"

namespace tallywire::round {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr auto switch_limit = 10s;
constexpr auto longest_session = 10min;
constexpr double packets_per_s = 50;       // of some 190 octets on the wire each: 0.08 Mbit/s
constexpr auto quiet_time = 1500ms;        // a packet counts as lost after 1 s
constexpr auto end_limit = 2s;

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

// One session after another, since each is bounded in time.
asio::awaitable<void> RehearsalWatch::run_beside(std::shared_ptr<Beside> beside, path::FarEndAddress far_end) {
  while (!beside->stop.requested()) {
    const WatchCounts past = beside->counts;
    path::DelayRequest request;
    request.far_end = far_end;
    request.duration = longest_session;
    request.packets_per_s = packets_per_s;
    path::OnDelayTick on_tick = [beside, past](const path::DelayTick& tick) {
      beside->counts = {past.sent + tick.sent, past.answered + tick.answered, past.lost + tick.lost};
    };
    auto report = co_await path::measure_delay(std::move(request), std::move(on_tick), beside->stop);
    if (report) continue;
    beside->failure = report.error().sentence();
    co_return;
  }
}

asio::awaitable<void> RehearsalWatch::begin(Stop& stop) {
  beside_ = std::make_shared<Beside>();
  beside_->running = true;
  auto executor = co_await asio::this_coro::executor;
  asio::co_spawn(executor, run_beside(beside_, far_end_), [beside = beside_](std::exception_ptr failure) {
    beside->running = false;
    if (failure && !beside->failure) beside->failure = "the session ended by an error of this program";
  });
  for (auto& one : switches_) {
    auto report = co_await read(one);
    one.before = std::move(report);
  }
  std::erase_if(switches_, [](const auto& one) { return !one.before; });
  // Until a packet that does not come back would count as lost.
  for (auto waited = 0ms; waited < quiet_time && !stop.requested() && !beside_->failure; waited += 50ms) co_await pause_for(50ms);
  before_ = beside_->counts;
  if (beside_->failure) {
    lacks("stamp", *beside_->failure);
    beside_.reset();
  } else if (before_.answered == 0) {
    lacks("stamp", "no test packet came back before the streams began: a packet filter on the way may refuse them");
  } else if (before_.lost > 0) {
    lacks("quiet_path", std::to_string(before_.lost) + " of " + std::to_string(before_.sent) + " test packets were lost before the streams began");
  }
}

asio::awaitable<void> RehearsalWatch::end() {
  if (!beside_) co_return;
  beside_->stop.request();
  for (auto waited = 0ms; waited < end_limit && beside_->running; waited += 20ms) co_await pause_for(20ms);
}

std::optional<std::string> RehearsalWatch::harm() {
  if (!beside_ || before_.answered == 0) return std::nullopt;
  if (beside_->failure) return "the test packets beside the streams broke off: " + *beside_->failure;
  return harm_by_packets(before_, beside_->counts);
}

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
