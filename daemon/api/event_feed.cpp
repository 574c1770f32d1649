#include "daemon/api/event_feed.hpp"

#include <boost/asio/post.hpp>

#include <algorithm>

namespace tallywire::api {

namespace asio = boost::asio;

void EventFeed::publish(const std::string& name, const nlohmann::json& data) {
  asio::post(writing_, [this, name, data] {
    auto id = record_.add_event(name, data);
    asio::post(context_, [this, name, data, id] {
      if (!id && on_failure_) on_failure_(id.error());
      tell({id ? *id : 0, name, json_line(data)});
    });
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
