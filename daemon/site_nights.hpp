// The nights of a site: runs the round by itself at the design's time, keeps what has drifted with each whole round, and has
// people told once a night. Network thread only; the record is used on its own thread.
#pragma once

#include "config/design.hpp"
#include "config/secrets.hpp"
#include "config/settings.hpp"
#include "daemon/api/event_feed.hpp"
#include "daemon/api/service.hpp"
#include "daemon/record/record.hpp"
#include "daemon/round/task_group.hpp"
#include "daemon/telling/queues.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>

#include <map>
#include <memory>
#include <optional>
#include <string>
#include <utility>

namespace tallywire {

struct SiteNightsParts {
  boost::asio::io_context& context;
  const config::Design& design;
  record::Record& record;
  api::EventFeed& feed;
  boost::asio::thread_pool& writing;
  boost::asio::thread_pool& blocking;  // what only reads, and takes a second
  api::Service& service;
};

class SiteNights {
 public:
  // Throws FaultError when a secret of `telling` is not there.
  SiteNights(SiteNightsParts parts, const std::optional<config::TellingSettings>& telling, const config::Secrets& secrets);
  void start();
  void stop();
  bool finished() const { return tasks_.running() == 0 && (!queues_ || queues_->finished()); }

  // After a Fault it may be called again with the same document: what drifted, and the night, are told when it is kept.
  // Ends a round in the record; of one that broke off (`state`) the document is its head alone. A complete whole one gets `drift` and `drift_since` first, and a night is told.
  boost::asio::awaitable<Outcome<void>> end_round(std::int64_t id, nlohmann::json& document);
  boost::asio::awaitable<Outcome<nlohmann::json>> drift();
  boost::asio::awaitable<Outcome<nlohmann::json>> changes(std::int64_t id, std::int64_t since);
  boost::asio::awaitable<Outcome<nlohmann::json>> telling();
  nlohmann::json next_night() const;  // RFC 3339; null where the design has none

 private:
  struct Ended;
  boost::asio::awaitable<void> run_nights();
  boost::asio::awaitable<void> settle();
  boost::asio::awaitable<void> run_night(std::string date, std::string note);
  boost::asio::awaitable<void> not_run(std::string date, std::string note);
  boost::asio::awaitable<bool> keep_night(nlohmann::json night);
  boost::asio::awaitable<nlohmann::json> kept_night();
  boost::asio::awaitable<void> pause(std::chrono::milliseconds longest);
  std::string nobody_listens() const;
  void publish(const Ended& ended);

  SiteNightsParts parts_;
  std::unique_ptr<telling::Queues> queues_;  // none: the settings tell nobody
  round::TaskGroup tasks_;
  boost::asio::steady_timer timer_;
  bool stop_ = false;
  std::string running_date_, running_note_;  // of the night whose round this service has begun
  std::map<std::int64_t, std::pair<std::string, std::string>> unkept_;  // round -> date and note of a night whose end is not kept yet
};

}  // namespace tallywire
