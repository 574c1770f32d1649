// One beat for all streams of a network thread: every 10 ms each stream takes what has come since. Few wake-ups and many
// packets a call; the kernel's time stamps keep arrival times exact. No timer runs while nobody listens.
#pragma once

#include <boost/asio/any_io_executor.hpp>
#include <boost/asio/execution_context.hpp>
#include <boost/asio/steady_timer.hpp>

#include <chrono>
#include <functional>
#include <list>

namespace tallywire::stream {

// Network thread only. A service of its io_context: it lives as long as that.
class Beat : public boost::asio::execution_context::service {
 public:
  using key_type = Beat;
  static constexpr std::chrono::milliseconds interval{10};

  explicit Beat(boost::asio::execution_context& context);
  static Beat& of(const boost::asio::any_io_executor& executor);

  // Calls `action` at every beat while it lives; neither it nor the action may outlive the Beat. The action may end
  // subscriptions, its own too.
  class Subscription {
   public:
    Subscription(Beat& beat, const boost::asio::any_io_executor& executor, std::function<void()> action);
    ~Subscription();
    Subscription(const Subscription&) = delete;
    Subscription& operator=(const Subscription&) = delete;

   private:
    Beat& beat_;
    std::list<std::function<void()>>::iterator at_;
  };

 private:
  void shutdown() override;
  void wait();
  void strike();

  std::list<std::function<void()>> actions_;
  std::list<std::function<void()>>::iterator next_;  // of the strike under way
  std::unique_ptr<boost::asio::steady_timer> timer_;
  bool waiting_ = false;
};

}  // namespace tallywire::stream
