// Children of one coroutine: spawned on its executor, awaited together, none forgotten. What a child
// throws is logged and does not end the others. Use on the network thread only.
#pragma once

#include <boost/asio/any_io_executor.hpp>
#include <boost/asio/awaitable.hpp>
#include <boost/asio/steady_timer.hpp>

#include <memory>
#include <string>

namespace tallywire::round {

class TaskGroup {
 public:
  explicit TaskGroup(boost::asio::any_io_executor executor);
  // `name` stands in the log if the child throws.
  void spawn(std::string name, boost::asio::awaitable<void> child);
  // Resumes when no child is left, also when the waiting coroutine was told to stop.
  boost::asio::awaitable<void> join();
  // Resumes when a child ends or `nudge` is called.
  boost::asio::awaitable<void> wait_for_change();
  void nudge();
  std::size_t running() const;

 private:
  struct State {
    explicit State(boost::asio::any_io_executor executor) : changed(std::move(executor)) {}
    boost::asio::steady_timer changed;
    std::size_t running = 0;
  };
  boost::asio::any_io_executor executor_;
  std::shared_ptr<State> state_;
};

}  // namespace tallywire::round
