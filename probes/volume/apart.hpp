// Work on a volume in a thread of its own: a call into a volume that is gone may never come back, and nobody can end it. Who asked
// waits with limits and goes on without it; while something hangs at a path, nothing else is begun there. Any thread.
#pragma once

#include "probes/fault.hpp"

#include <atomic>
#include <chrono>
#include <condition_variable>
#include <exception>
#include <functional>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <utility>

namespace tallywire::volume {

// What a thread and who waits for it tell each other. The work has signs of its own, which live as long as it does.
class Signs {
 public:
  using Progress = std::function<void(double done_s, double total_s, const std::string& doing)>;

  // Set when it is to end.
  const std::atomic<bool>& stop() const { return stop_; }
  // A sign of life. Returns when who waits has passed it on, so that a stop that it brings is seen at once; after 1 s else.
  void tell(double done_s, double total_s, const std::string& doing = "");
  // A sign of life, and how long may pass until the next one.
  void allow(std::chrono::milliseconds silence);
  void end();

  // Waits until end(); false when there was no sign of life for as long as was allowed, or for `after_stop` after `stop`.
  // `progress` is called on the calling thread.
  bool wait(const std::atomic<bool>& stop, std::chrono::milliseconds after_stop, const Progress& progress);
  double silent_s() const;

 private:
  using Clock = std::chrono::steady_clock;
  std::atomic<bool> stop_{false};
  mutable std::mutex mutex_;  // for what follows
  std::condition_variable told_something_, passed_on_;
  Clock::time_point last_ = Clock::now();
  std::chrono::milliseconds allowed_{10'000};
  bool ended_ = false, told_ = false, left_ = false;
  double done_s_ = 0, total_s_ = 0;
  std::string doing_;
};

// Something hangs in the system at this path, for as long as `what` lives.
void note_hanging(const std::string& path, std::weak_ptr<const void> what);
std::optional<Fault> hangs_at(const std::string& path);
Fault no_answer(const std::string& path, double seconds);
// False when there is no thread to be had.
bool run_detached(std::function<void()> work);

// The work must own all that it touches. Its exceptions come through.
template <class R>
Outcome<R> apart(const std::string& path, std::chrono::milliseconds silence, std::chrono::milliseconds after_stop, const std::atomic<bool>& stop,
                 const Signs::Progress& progress, std::function<Outcome<R>(Signs&)> work) {
  struct Errand {
    std::function<Outcome<R>(Signs&)> work;
    Signs signs;
    std::optional<Outcome<R>> result;  // the thread's until the end
    std::exception_ptr failure;
  };
  if (auto hangs = hangs_at(path)) return *hangs;
  const auto errand = std::make_shared<Errand>();
  errand->work = std::move(work);
  errand->signs.allow(silence);
  const bool begun = run_detached([errand] {
    try {
      errand->result.emplace(errand->work(errand->signs));
    } catch (...) {
      errand->failure = std::current_exception();
    }
    errand->signs.end();
  });
  if (!begun) return Fault{FaultKind::system, "the system gives no thread for it", path, "repeat it when the machine does less"};
  if (!errand->signs.wait(stop, after_stop, progress)) {
    note_hanging(path, errand);
    return no_answer(path, errand->signs.silent_s());
  }
  if (errand->failure) std::rethrow_exception(errand->failure);
  return std::move(*errand->result);
}

}  // namespace tallywire::volume
