#include "daemon/round/task_group.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <spdlog/spdlog.h>

namespace tallywire::round {

namespace asio = boost::asio;

TaskGroup::TaskGroup(asio::any_io_executor executor)
    : executor_(executor), state_(std::make_shared<State>(executor)) {
  state_->changed.expires_at(asio::steady_timer::time_point::max());
}

void TaskGroup::spawn(std::string name, asio::awaitable<void> child) {
  ++state_->running;
  asio::co_spawn(executor_, std::move(child), [state = state_, name](std::exception_ptr failure) {
    --state->running;
    state->changed.cancel();
    if (!failure) return;
    try {
      std::rethrow_exception(failure);
    } catch (const std::exception& e) {
      spdlog::error("{}: {}", name, e.what());
    }
  });
}

asio::awaitable<void> TaskGroup::wait_for_change() {
  auto state = state_;
  co_await state->changed.async_wait(asio::as_tuple(asio::use_awaitable));
}

asio::awaitable<void> TaskGroup::join() {
  while (state_->running > 0) co_await wait_for_change();
}

void TaskGroup::nudge() { state_->changed.cancel(); }

std::size_t TaskGroup::running() const { return state_->running; }

}  // namespace tallywire::round
