#include "probes/deadline.hpp"

#include <boost/asio/io_context.hpp>
#include <catch2/catch.hpp>

#include <thread>

using namespace tallywire;
using namespace std::chrono_literals;
namespace asio = boost::asio;

namespace {

asio::awaitable<Outcome<int>> answer_after(std::chrono::milliseconds delay, int value) {
  co_await pause_for(delay);
  co_return value;
}

asio::awaitable<Outcome<int>> fail_at_once() {
  Fault fault{FaultKind::refused, "connection refused", "192.0.2.1", "look at the port"};
  co_return fault;
}

asio::awaitable<Outcome<int>> throw_at_once() {
  throw std::logic_error("a bug");
  co_return 0;
}

asio::awaitable<void> run_within(std::chrono::milliseconds limit,
                                 asio::awaitable<Outcome<int>> work, Outcome<int>& out) {
  out = co_await within<int>(limit, std::move(work), "the question", "192.0.2.1");
}

Outcome<int> outcome_within(std::chrono::milliseconds limit, asio::awaitable<Outcome<int>> work) {
  asio::io_context context;
  Outcome<int> out = 0;
  std::exception_ptr failure;
  asio::co_spawn(context, run_within(limit, std::move(work), out),
                 [&failure](std::exception_ptr e) { failure = e; });
  context.run();
  if (failure) std::rethrow_exception(failure);
  return out;
}

asio::awaitable<void> run_offload(asio::thread_pool& pool, std::thread::id& worked,
                                  std::thread::id& resumed, int& value) {
  std::function<int()> blocking = [&worked] {
    worked = std::this_thread::get_id();
    return 7;
  };
  value = co_await offload<int>(pool, std::move(blocking));
  resumed = std::this_thread::get_id();
}

}  // namespace

TEST_CASE("work that ends in time gives its value") {
  const auto out = outcome_within(2000ms, answer_after(1ms, 42));
  REQUIRE(out.has_value());
  CHECK(*out == 42);
}

TEST_CASE("work that is late is cancelled and named") {
  const auto out = outcome_within(20ms, answer_after(60s, 42));
  REQUIRE(out.has_error());
  CHECK(out.error().kind == FaultKind::timed_out);
  CHECK(out.error().sentence().find("the question took longer than 0.0 s (192.0.2.1)") == 0);
}

TEST_CASE("a refusal is told as a refusal at once, not as a time-out") {
  const auto begin = std::chrono::steady_clock::now();
  const auto out = outcome_within(60s, fail_at_once());
  REQUIRE(out.has_error());
  CHECK(out.error().kind == FaultKind::refused);
  CHECK(std::chrono::steady_clock::now() - begin < 30s);
}

TEST_CASE("an exception in limited work comes through") {
  CHECK_THROWS_AS(outcome_within(60s, throw_at_once()), std::logic_error);
}

TEST_CASE("offloaded work runs elsewhere and resumes on the network thread") {
  asio::io_context context;
  asio::thread_pool pool(1);
  std::thread::id worked, resumed;
  int value = 0;
  asio::co_spawn(context, run_offload(pool, worked, resumed, value), asio::deferred)(
      [](std::exception_ptr e) { CHECK_FALSE(e); });
  auto guard = asio::make_work_guard(context);
  while (value == 0) context.run_one();
  CHECK(value == 7);
  CHECK(worked != std::this_thread::get_id());
  CHECK(resumed == std::this_thread::get_id());
  pool.join();
}
