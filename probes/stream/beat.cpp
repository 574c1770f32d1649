#include "probes/stream/beat.hpp"

#include <boost/asio/query.hpp>

#include <array>
#include <utility>

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
  for (const auto& watched : at_->sockets) epoll_ctl(beat_.readiness_, EPOLL_CTL_DEL, watched.socket, nullptr);
  if (beat_.next_ == at_) ++beat_.next_;
  beat_.entries_.erase(at_);
}

bool Beat::Subscription::watch(int socket, unsigned bit) {
  auto& watched = at_->sockets.emplace_back(Watched{socket, std::uint32_t{1} << bit, &*at_});
  epoll_event event{};
  event.events = EPOLLIN | EPOLLRDHUP;
  event.data.ptr = &watched;
  if (epoll_ctl(beat_.readiness_, EPOLL_CTL_ADD, socket, &event) == 0) return true;
  at_->sockets.pop_back();
  return false;
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
      const auto& watched = *static_cast<const Watched*>(events[static_cast<std::size_t>(i)].data.ptr);
      news = news || (watched.entry->readable & watched.bit) == 0;
      watched.entry->readable |= watched.bit;
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
    const Strike told{now, std::exchange(at->readable, 0), (number_ + place) % beats_a_tick == 0};
    if (told.readable != 0 || told.tick) at->listener(told);
  }
  next_ = entries_.end();
  if (entries_.empty()) return;
  // Beats that could not be kept are left out, not made up for.
  timer_->expires_at(std::max(timer_->expiry() + interval, Clock::now()));
  wait();
}

}  // namespace tallywire::stream
