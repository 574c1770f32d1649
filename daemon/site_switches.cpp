// What the service does with its switches while no round runs: looks at them now and then, so that the roll knows which port a
// unit hangs on, and which port has no link.
#include "daemon/site_service.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <spdlog/spdlog.h>

#include <algorithm>

namespace tallywire {

namespace asio = boost::asio;

namespace {

constexpr std::chrono::seconds first_look_after{5};
// The pool of the probes has four threads, and a switch that is silent holds one for seconds: rounds and asks need the others.
constexpr std::size_t most_looks_at_once = 2;

}  // namespace

void SiteService::start_switch_looks() {
  const auto& switches = parts_.design.switches;
  if (between_looks_.count() == 0 || std::none_of(switches.begin(), switches.end(), [](const auto& sw) { return sw.snmp.has_value(); })) return;
  looks_run_ = true;
  tasks_.spawn("looking at the switches", look_again_and_again());
}

void SiteService::stop_switch_looks() {
  looks_stop_.request();
  next_look_.cancel();
}

asio::awaitable<void> SiteService::look_again_and_again() {
  struct Over {
    bool& run;
    ~Over() { run = false; }
  };
  const Over over{looks_run_};
  for (auto pause = first_look_after; !looks_stop_.requested(); pause = between_looks_) {
    next_look_.expires_after(pause);
    co_await next_look_.async_wait(asio::as_tuple(asio::use_awaitable));
    // A round looks for itself.
    if (!looks_stop_.requested() && running_.empty()) co_await look_at_all_switches();
  }
}

asio::awaitable<void> SiteService::look_at_all_switches() {
  round::TaskGroup group(co_await asio::this_coro::executor);
  for (const auto& sw : parts_.design.switches) {
    if (!sw.snmp || looks_refused_.contains(sw.id)) continue;
    while (group.running() >= most_looks_at_once) co_await group.wait_for_change();
    if (looks_stop_.requested()) break;
    group.spawn("switch " + sw.id, look_at_switch(sw));
  }
  co_await group.join();
  if (looks_stop_.requested()) co_return;
  // A switch that is silent now stays as it was: without what it had learnt, the port that leads to it would pass for a unit's.
  for (const auto& [hardware, seen_on] : round::placed_units(parts_.design, looks_)) place(hardware, seen_on);
}

asio::awaitable<void> SiteService::look_at_switch(const config::Switch& sw) {
  auto look = co_await looking_.look_at_switch(sw, looks_stop_);
  if (looks_stop_.requested()) co_return;
  if (look.fault) {
    const auto why = look.fault->sentence();
    auto& logged = looks_missed_[sw.id];
    if (logged.empty()) spdlog::warn("switch {} could not be looked at: {}", sw.id, why);
    logged = why;
    // A wrong login that is sent every minute locks accounts.
    if (look.fault->kind == FaultKind::refused && looks_refused_.insert(sw.id).second)
      spdlog::warn("switch {} is not asked again outside rounds until the service starts anew: {}", sw.id, why);
    co_return;
  }
  if (looks_missed_.erase(sw.id) > 0) spdlog::info("switch {} answers again", sw.id);
  for (const auto& port : round::ports_down(sw.id, look)) port_down(port);
  for (const auto& address : look.own_addresses) not_a_unit(address);
  looks_[sw.id] = std::move(look);
}

}  // namespace tallywire
