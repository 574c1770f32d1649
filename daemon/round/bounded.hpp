// The patience of a round: a piece of work ends by itself, or is ended by its limit, or some seconds after a stop. An instrument
// has limits of its own and heeds the stop; this holds where one does not. Work that throws is a Fault as well: each unit's
// trouble is its own.
//
// Network thread. A blocking call on a pool (offload) cannot be ended: it is waited for, and bounds itself.
#pragma once

#include "probes/fault.hpp"
#include "probes/stop.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/awaitable.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/deferred.hpp>
#include <boost/asio/experimental/parallel_group.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>

#include <algorithm>
#include <chrono>
#include <string>
#include <utility>

namespace tallywire::round {

struct Patience {
  std::chrono::milliseconds limit;
  std::chrono::milliseconds after_stop;
};

class PatienceClock {
 public:
  PatienceClock(const boost::asio::any_io_executor& executor, Patience patience, Stop& stop)
      : timer_(executor), ends_(Clock::now() + patience.limit), stopped_(stop, [this, patience] {
          ends_ = std::min(ends_, Clock::now() + patience.after_stop);
          timer_.cancel();
        }) {}

  boost::asio::awaitable<void> run_out() {
    while (Clock::now() < ends_) {
      timer_.expires_at(ends_);
      co_await timer_.async_wait(boost::asio::as_tuple(boost::asio::use_awaitable));
    }
  }

 private:
  using Clock = std::chrono::steady_clock;
  boost::asio::steady_timer timer_;
  Clock::time_point ends_;
  Stop::Subscription stopped_;
};

// T must be default-constructible. `what` begins the sentence: "asking camera/gate-north".
template <class T>
boost::asio::awaitable<Outcome<T>> bounded(Patience patience, Stop& stop, boost::asio::awaitable<T> work, std::string what) {
  namespace asio = boost::asio;
  auto executor = co_await asio::this_coro::executor;
  PatienceClock clock(executor, patience, stop);
  auto working = asio::co_spawn(executor, std::move(work), asio::deferred);
  auto waiting = asio::co_spawn(executor, clock.run_out(), asio::deferred);
  auto group = asio::experimental::make_parallel_group(std::move(working), std::move(waiting));
  auto [order, failure, value, clock_failure] = co_await group.async_wait(asio::experimental::wait_for_one(), asio::use_awaitable);
  if (order[0] == 0) {
    if (!failure) co_return std::move(value);
    std::string why = "for an unknown reason";
    try {
      std::rethrow_exception(failure);
    } catch (const std::exception& e) {
      why = e.what();
    } catch (...) {
    }
    Fault broken{FaultKind::system, what + " broke off: " + why, "", "look in the log"};
    co_return broken;
  }
  if (stop.requested()) {
    Fault stopped{FaultKind::cancelled, what + " was stopped with the round", "", ""};
    co_return stopped;
  }
  Fault late{FaultKind::timed_out, what + " did not end within " + std::to_string(patience.limit.count() / 1000) + " s", "",
             "look at its power and its link, then repeat"};
  co_return late;
}

}  // namespace tallywire::round
