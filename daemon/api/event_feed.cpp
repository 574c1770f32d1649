#include "daemon/api/event_feed.hpp"

#include <boost/asio/post.hpp>

#include <algorithm>
#include <utility>

namespace tallywire::api {

namespace asio = boost::asio;

// A site that powers up at once makes hundreds of events: those that come while others are written are written together.
void EventFeed::publish(const std::string& name, const nlohmann::json& data) {
  const std::lock_guard hold(lock_);
  unwritten_.push_back({name, json_line(data)});
  if (std::exchange(will_write_, true)) return;
  asio::post(writing_, [this] { write(); });
}

// On the writing thread.
void EventFeed::write() {
  std::vector<record::NewEvent> batch;
  {
    const std::lock_guard hold(lock_);
    batch.swap(unwritten_);
    will_write_ = false;
  }
  auto first = record_.add_events(batch);
  asio::post(context_, [this, batch = std::move(batch), first = std::move(first)] {
    const Outcome<void> kept = first ? Outcome<void>() : Outcome<void>(first.error());
    if (on_outcome_) on_outcome_(kept);
    std::int64_t id = first ? *first : 0;
    for (const auto& event : batch) tell({first ? id++ : 0, event.name, event.data});
  });
}

void EventFeed::publish_passing(const std::string& name, const nlohmann::json& data) {
  tell({0, name, json_line(data)});
}

std::shared_ptr<FeedListener> EventFeed::listen() {
  auto out = std::make_shared<FeedListener>(context_);
  listeners_.push_back(out);
  return out;
}

std::size_t EventFeed::listeners() const {
  return static_cast<std::size_t>(std::count_if(listeners_.begin(), listeners_.end(), [](const auto& weak) { return !weak.expired(); }));
}

void EventFeed::tell(const FeedEvent& event) {
  std::erase_if(listeners_, [](const auto& weak) { return weak.expired(); });
  for (const auto& weak : listeners_) {
    const auto listener = weak.lock();
    if (listener->waiting.size() >= most_waiting) {
      listener->overrun = true;
      listener->waiting.clear();
    }
    listener->waiting.push_back(event);
    listener->changed.cancel();
  }
}

void EventFeed::wake() {
  for (const auto& weak : listeners_)
    if (const auto listener = weak.lock()) listener->changed.cancel();
}

}  // namespace tallywire::api
