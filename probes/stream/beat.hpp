// One beat for all streams of a network thread: every 10 ms it asks once which sockets hold something, and their streams
// take all that has come since. Few wake-ups and many packets a call; the kernel's time stamps keep arrival times exact.
// No timer runs while nobody listens.
#pragma once

#include <boost/asio/any_io_executor.hpp>
#include <boost/asio/execution_context.hpp>
#include <boost/asio/steady_timer.hpp>

#include <chrono>
#include <cstdint>
#include <functional>
#include <list>
#include <memory>

namespace tallywire::stream {

// Network thread only. A service of its io_context: it lives as long as that.
class Beat : public boost::asio::execution_context::service {
 public:
  using key_type = Beat;
  using Clock = std::chrono::steady_clock;
  static constexpr std::chrono::milliseconds interval{10};
  static constexpr unsigned beats_a_tick = 10;

  explicit Beat(boost::asio::execution_context& context);
  ~Beat() override;
  static Beat& of(const boost::asio::any_io_executor& executor);

  struct Strike {
    Clock::time_point now;  // of the beat
    std::uint32_t readable; // a bit for each of the listener's sockets that holds something
    bool tick;              // every 100 ms, whatever came; not all listeners at one beat
  };
  // Called at a beat that is either. It may end subscriptions, its own too.
  using Listener = std::function<void(const Strike&)>;

 private:
  struct Entry;
  struct Watched {
    int socket;
    std::uint32_t bit;
    Entry* entry;
  };
  struct Entry {
    Listener listener;
    std::uint32_t readable = 0;  // of the beat under way
    std::list<Watched> sockets;  // epoll keeps their addresses
  };

 public:
  // Neither it nor what its listener reaches may outlive the Beat.
  class Subscription {
   public:
    Subscription(const boost::asio::any_io_executor& executor, Listener listener);
    ~Subscription();
    Subscription(const Subscription&) = delete;
    Subscription& operator=(const Subscription&) = delete;
    // Until the subscription ends, which must come before the socket is closed. Told as bit `bit` (below 32). False: the
    // system has no room to watch another.
    bool watch(int socket, unsigned bit);

   private:
    Beat& beat_;
    std::list<Entry>::iterator at_;
  };

 private:
  void shutdown() override;
  void wait();
  void strike();
  void mark_readable();

  std::list<Entry> entries_;
  std::list<Entry>::iterator next_;  // of the strike under way
  std::unique_ptr<boost::asio::steady_timer> timer_;
  int readiness_ = -1;               // an epoll descriptor
  std::uint64_t number_ = 0;
  bool waiting_ = false;
};

}  // namespace tallywire::stream
