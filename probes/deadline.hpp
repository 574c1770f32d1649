// The one way to limit a wait, and the one way to run blocking work. Everything that awaits a peer
// goes through `within`; everything that blocks (SNMP, disks, SQLite) goes through `offload`.
//
// Threads: both are called on the network thread and resume there.
//
// Rules for callers on g++ 12 (see DEVELOPERS.md, "Coroutines"): pass a named awaitable, moved;
// never a brace-built aggregate or a capturing lambda inside the co_await expression; no co_await
// in a catch block; no cleanup that awaits after cancellation.
#pragma once

#include "probes/fault.hpp"

#include <boost/asio/async_result.hpp>
#include <boost/asio/awaitable.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/deferred.hpp>
#include <boost/asio/experimental/parallel_group.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/thread_pool.hpp>
#include <boost/asio/use_awaitable.hpp>

#include <chrono>
#include <exception>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <utility>

namespace tallywire {

// Runs `work` for at most `limit`. On time-out the work is cancelled, awaited to its end, and the
// answer is a Fault of kind timed_out that names `what` and `where`. Exceptions of `work` come
// through, except the one that cancellation itself raises. T must be default-constructible.
template <class T>
boost::asio::awaitable<Outcome<T>> within(std::chrono::milliseconds limit,
                                          boost::asio::awaitable<Outcome<T>> work,
                                          std::string what, std::string where) {
  namespace asio = boost::asio;
  auto executor = co_await asio::this_coro::executor;
  asio::steady_timer timer(executor, limit);
  auto spawned = asio::co_spawn(executor, std::move(work), asio::deferred);
  auto waiting = timer.async_wait(asio::deferred);
  auto group = asio::experimental::make_parallel_group(std::move(spawned), std::move(waiting));
  auto [order, failure, value, timer_code] = co_await group.async_wait(
      asio::experimental::wait_for_one(), asio::use_awaitable);
  if (order[0] == 0) {
    if (failure) std::rethrow_exception(failure);
    co_return std::move(value);
  }
  if (timer_code) {  // the timer was cancelled: so were we
    Fault stopped{FaultKind::cancelled, what + " was stopped", where, ""};
    co_return stopped;
  }
  const auto seconds = std::chrono::duration<double>(limit).count();
  std::string text = std::to_string(seconds);
  text.erase(text.find('.') + 2);
  Fault late{FaultKind::timed_out, what + " took longer than " + text + " s", where,
             "check that the unit is powered and its cable is whole, then repeat"};
  co_return late;
}

// Runs the blocking function on `pool` and resumes on the caller's executor with its result.
// It cannot be interrupted: `blocking` must bound itself (and look at a stop flag if it is long).
template <class R>
boost::asio::awaitable<R> offload(boost::asio::thread_pool& pool, std::function<R()> blocking) {
  namespace asio = boost::asio;
  auto executor = co_await asio::this_coro::executor;
  auto initiate = [&pool, &blocking, executor](auto handler) {
    auto shared = std::make_shared<decltype(handler)>(std::move(handler));
    asio::post(pool, [shared, executor, run = std::move(blocking)]() mutable {
      std::exception_ptr failure;
      auto result = std::make_shared<std::optional<R>>();
      try {
        // What it holds is let go here, before the caller goes on: the caller's are then the last hands on it.
        const auto once = std::exchange(run, nullptr);
        result->emplace(once());
      } catch (...) {
        failure = std::current_exception();
      }
      asio::post(executor, [shared, failure, result]() mutable {
        if (failure)
          (*shared)(failure, std::shared_ptr<std::optional<R>>());
        else
          (*shared)(std::exception_ptr(), std::move(result));
      });
    });
  };
  auto result =
      co_await asio::async_initiate<const asio::use_awaitable_t<>,
                                    void(std::exception_ptr, std::shared_ptr<std::optional<R>>)>(
          initiate, asio::use_awaitable);
  co_return std::move(**result);
}

// Sleeps, and answers false when it was cancelled.
boost::asio::awaitable<bool> pause_for(std::chrono::milliseconds duration);

}  // namespace tallywire
