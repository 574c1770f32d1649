#include "probes/stream/beat.hpp"

#include <boost/asio/query.hpp>

#include <memory>

namespace tallywire::stream {

namespace asio = boost::asio;
using Clock = std::chrono::steady_clock;

Beat::Beat(asio::execution_context& context) : service(context), next_(actions_.end()) {}

Beat& Beat::of(const asio::any_io_executor& executor) {
  return asio::use_service<Beat>(asio::query(executor, asio::execution::context));
}

Beat::Subscription::Subscription(Beat& beat, const asio::any_io_executor& executor, std::function<void()> action)
    : beat_(beat), at_(beat.actions_.insert(beat.actions_.end(), std::move(action))) {
  if (!beat.timer_) beat.timer_ = std::make_unique<asio::steady_timer>(executor);
  if (beat.waiting_) return;
  beat.timer_->expires_after(interval);
  beat.wait();
}

Beat::Subscription::~Subscription() {
  if (beat_.next_ == at_) ++beat_.next_;
  beat_.actions_.erase(at_);
}

void Beat::shutdown() {
  timer_.reset();
  actions_.clear();
}

void Beat::wait() {
  waiting_ = true;
  timer_->async_wait([this](const boost::system::error_code& code) {
    waiting_ = false;
    if (!code) strike();
  });
}

void Beat::strike() {
  for (auto at = actions_.begin(); at != actions_.end(); at = next_) {
    next_ = std::next(at);
    (*at)();
  }
  next_ = actions_.end();
  if (actions_.empty()) return;
  // Beats that could not be kept are left out, not made up for.
  timer_->expires_at(std::max(timer_->expiry() + interval, Clock::now()));
  wait();
}

}  // namespace tallywire::stream
