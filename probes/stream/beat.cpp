#include "probes/stream/beat.hpp"

#include <boost/asio/query.hpp>

#include <array>

#include <sys/epoll.h>
#include <unistd.h>

namespace tallywire::stream {

namespace asio = boost::asio;

Beat::Beat(asio::execution_context& context)
    : service(context), next_(entries_.end()), readiness_(epoll_create1(EPOLL_CLOEXEC)) {}

Beat::~Beat() {
  if (readiness_ >= 0) ::close(readiness_);
}

Beat& Beat::of(const asio::any_io_executor& executor) {
  return asio::use_service<Beat>(asio::query(executor, asio::execution::context));
}

Beat::Subscription::Subscription(const asio::any_io_executor& executor, Listener listener)
    : beat_(Beat::of(executor)), at_(beat_.entries_.insert(beat_.entries_.end(), Entry{std::move(listener), 0, {}})) {
  if (!beat_.timer_) beat_.timer_ = std::make_unique<asio::steady_timer>(executor);
  if (beat_.waiting_) return;
  beat_.timer_->expires_after(interval);
  beat_.wait();
}

Beat::Subscription::~Subscription() {
  for (const int socket : at_->sockets) epoll_ctl(beat_.readiness_, EPOLL_CTL_DEL, socket, nullptr);
  if (beat_.next_ == at_) ++beat_.next_;
  beat_.entries_.erase(at_);
}

bool Beat::Subscription::watch(int socket) {
  epoll_event event{};
  event.events = EPOLLIN | EPOLLRDHUP;
  event.data.ptr = &*at_;
  if (epoll_ctl(beat_.readiness_, EPOLL_CTL_ADD, socket, &event) != 0) return false;
  at_->sockets.push_back(socket);
  return true;
}

void Beat::shutdown() {
  timer_.reset();
  entries_.clear();
}

void Beat::wait() {
  waiting_ = true;
  timer_->async_wait([this](const boost::system::error_code& code) {
    waiting_ = false;
    if (!code) strike();
  });
}

// Level-triggered: what a listener did not take is told again at the next beat. Each call moves what it told to the end of
// the kernel's list, so that as many calls as fill the room see every socket once.
void Beat::mark_readable() {
  static thread_local std::array<epoll_event, 1024> events;
  for (std::size_t seen = 0; seen < 64 * events.size(); seen += events.size()) {
    const int count = epoll_wait(readiness_, events.data(), static_cast<int>(events.size()), 0);
    bool news = false;
    for (int i = 0; i < count; ++i) {
      auto& entry = *static_cast<Entry*>(events[static_cast<std::size_t>(i)].data.ptr);
      news = news || entry.readable_at != number_;
      entry.readable_at = number_;
    }
    if (!news || static_cast<std::size_t>(count) < events.size()) return;
  }
}

void Beat::strike() {
  const auto now = Clock::now();
  ++number_;
  mark_readable();
  std::uint64_t place = 0;
  for (auto at = entries_.begin(); at != entries_.end(); at = next_, ++place) {
    next_ = std::next(at);
    const Strike told{now, at->readable_at == number_, (number_ + place) % beats_a_tick == 0};
    if (told.readable || told.tick) at->listener(told);
  }
  next_ = entries_.end();
  if (entries_.empty()) return;
  // Beats that could not be kept are left out, not made up for.
  timer_->expires_at(std::max(timer_->expiry() + interval, Clock::now()));
  wait();
}

}  // namespace tallywire::stream
