// The one way to say "end cleanly and keep what was read". Network thread only, except requested(),
// which work on other threads may look at.
#pragma once

#include <atomic>
#include <functional>
#include <list>
#include <utility>

namespace tallywire {

class Stop {
 public:
  // Calls `action` when a stop is requested, at once when it already was. The action is dropped with
  // the Subscription, which must not outlive the Stop.
  class Subscription {
   public:
    Subscription(Stop& stop, std::function<void()> action) : stop_(stop) {
      if (stop.requested()) action();
      at_ = stop.actions_.insert(stop.actions_.end(), std::move(action));
    }
    ~Subscription() { stop_.actions_.erase(at_); }
    Subscription(const Subscription&) = delete;
    Subscription& operator=(const Subscription&) = delete;

   private:
    Stop& stop_;
    std::list<std::function<void()>>::iterator at_;
  };

  bool requested() const { return requested_.load(std::memory_order_relaxed); }
  const std::atomic<bool>& flag() const { return requested_; }
  void request() {
    if (requested_.exchange(true)) return;
    for (auto& action : actions_) action();
  }

 private:
  std::atomic<bool> requested_{false};
  std::list<std::function<void()>> actions_;
};

}  // namespace tallywire
