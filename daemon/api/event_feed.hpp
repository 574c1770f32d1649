// Events to everyone who listens. Those that matter later go through the record first and carry its number, so
// that a listener who was away resumes without loss; passing ones (progress, single readings) do not.
// Network thread only.
#pragma once

#include "daemon/record/record.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>
#include <nlohmann/json.hpp>

#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <mutex>
#include <string>
#include <vector>

namespace tallywire::api {

struct FeedEvent {
  std::int64_t id = 0;  // 0: passing
  std::string name;
  std::string data;     // JSON on one line
};

// One listener's queue.
struct FeedListener {
  explicit FeedListener(boost::asio::io_context& context) : changed(context) {
    changed.expires_at(boost::asio::steady_timer::time_point::max());
  }
  std::deque<FeedEvent> waiting;
  bool overrun = false;  // it read too slowly and must resume from the record
  boost::asio::steady_timer changed;
};

class EventFeed {
 public:
  static constexpr std::size_t most_waiting = 20'000;

  EventFeed(boost::asio::io_context& context, record::Record& record, boost::asio::thread_pool& writing)
      : context_(context), record_(record), writing_(writing) {}

  // Kept, numbered, told. When it cannot be kept it is told all the same, without a number.
  void publish(const std::string& name, const nlohmann::json& data);
  void publish_passing(const std::string& name, const nlohmann::json& data);
  std::shared_ptr<FeedListener> listen();
  std::size_t listeners() const;  // how many listen now
  // Told after each write of events: whether they are kept.
  void on_outcome(std::function<void(const Outcome<void>&)> action) { on_outcome_ = std::move(action); }
  // Wakes every listener, so that sessions can end.
  void wake();

 private:
  void write();
  void tell(const FeedEvent& event);

  boost::asio::io_context& context_;
  record::Record& record_;
  boost::asio::thread_pool& writing_;
  std::vector<std::weak_ptr<FeedListener>> listeners_;
  std::mutex lock_;  // of what follows
  std::vector<record::NewEvent> unwritten_;
  bool will_write_ = false;
  std::function<void(const Outcome<void>&)> on_outcome_;
};

}  // namespace tallywire::api
