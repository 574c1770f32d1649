#include "probes/volume/apart.hpp"

#include <algorithm>
#include <cstdio>
#include <map>
#include <system_error>
#include <thread>
#include <vector>

namespace tallywire::volume {
namespace {

constexpr auto look_every = std::chrono::milliseconds(10);

struct Hanging {
  std::mutex mutex;
  std::map<std::string, std::vector<std::weak_ptr<const void>>> at;  // by path
};

// Never destroyed: threads that hang may come back while the process ends.
Hanging& hanging() {
  static auto& out = *new Hanging;
  return out;
}

constexpr const char* look_at = "look whether the disk, card or server is still there, and in the kernel's log";

}  // namespace

void Signs::tell(double done_s, double total_s, const std::string& doing) {
  std::unique_lock lock(mutex_);
  last_ = Clock::now();
  if (left_) return;
  told_ = true;
  done_s_ = done_s;
  total_s_ = total_s;
  doing_ = doing;
  told_something_.notify_all();
  passed_on_.wait_for(lock, std::chrono::seconds(1), [this] { return !told_ || left_; });
}

void Signs::allow(std::chrono::milliseconds silence) {
  const std::lock_guard lock(mutex_);
  last_ = Clock::now();
  allowed_ = silence;
}

void Signs::end() {
  const std::lock_guard lock(mutex_);
  ended_ = true;
  told_something_.notify_all();
}

double Signs::silent_s() const {
  const std::lock_guard lock(mutex_);
  return std::chrono::duration<double>(Clock::now() - last_).count();
}

bool Signs::wait(const std::atomic<bool>& stop, std::chrono::milliseconds after_stop, const Progress& progress) {
  std::optional<Clock::time_point> stopped;
  std::unique_lock lock(mutex_);
  while (!ended_) {
    if (told_) {
      const auto doing = doing_;
      const double done_s = done_s_, total_s = total_s_;
      lock.unlock();
      if (progress) progress(done_s, total_s, doing);
      lock.lock();
    }
    const auto now = Clock::now();
    if (!stopped && stop) stopped = now, stop_ = true;
    if (std::exchange(told_, false)) passed_on_.notify_all();
    if (now - last_ > allowed_ || (stopped && now - std::max(last_, *stopped) > after_stop)) {
      stop_ = left_ = true;
      passed_on_.notify_all();
      return false;
    }
    told_something_.wait_for(lock, look_every, [this] { return ended_ || told_; });
  }
  return true;
}

void note_hanging(const std::string& path, std::weak_ptr<const void> what) {
  const std::lock_guard lock(hanging().mutex);
  hanging().at[path].push_back(std::move(what));
}

std::optional<Fault> hangs_at(const std::string& path) {
  const std::lock_guard lock(hanging().mutex);
  const auto at = hanging().at.find(path);
  if (at == hanging().at.end()) return std::nullopt;
  std::erase_if(at->second, [](const auto& what) { return what.expired(); });
  if (at->second.empty()) {
    hanging().at.erase(at);
    return std::nullopt;
  }
  return Fault{FaultKind::timed_out, "an earlier measurement still hangs there: the volume does not answer", path, look_at};
}

Fault no_answer(const std::string& path, double seconds) {
  char what[96];
  std::snprintf(what, sizeof what, "the volume answered nothing for %.0f s", seconds);
  return {FaultKind::timed_out, what, path, look_at};
}

bool run_detached(std::function<void()> work) {
  try {
    std::thread(std::move(work)).detach();  // what hangs in the system cannot be joined
    return true;
  } catch (const std::system_error&) {
    return false;
  }
}

}  // namespace tallywire::volume
