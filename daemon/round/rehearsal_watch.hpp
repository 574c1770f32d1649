// Stands watch over live work while a rehearsal runs: a STAMP session beside the streams, and the switches' counters between its
// steps. Network thread; switches are read on the blocking pool.
#pragma once

#include "config/design.hpp"
#include "config/secrets.hpp"
#include "daemon/round/rehearsal_harm.hpp"
#include "probes/path/rehearsal.hpp"

#include <boost/asio/thread_pool.hpp>

#include <map>
#include <optional>
#include <set>
#include <string>
#include <vector>

namespace tallywire::round {

class RehearsalWatch : public path::LiveWatch {
 public:
  struct WatchedSwitch {
    std::string id;
    link::SwitchAccess access;
    std::set<std::string> ports;   // of the uplinks on the way
    std::optional<link::SwitchReport> before;
  };

  // All must outlive it.
  explicit RehearsalWatch(boost::asio::thread_pool& blocking) : blocking_(blocking) {}

  // The switches at the ends of these directed uplinks. What has no access is unread.
  void watch_switches(const config::Design& design, const std::vector<std::size_t>& uplinks, const config::Secrets& secrets);
  // First looks, before anything is sent.
  boost::asio::awaitable<void> begin();
  // Counts of the session beside the streams.
  void take(const WatchCounts& counts);
  void lacks(const std::string& what, const std::string& why) { unread_[what] = why; }

  std::optional<std::string> harm() override;
  boost::asio::awaitable<std::optional<std::string>> look() override;

  // What could not be watched, and why.
  const std::map<std::string, std::string>& unread() const { return unread_; }
  bool watches_anything() const { return !switches_.empty() || counts_.has_value(); }

 private:
  boost::asio::awaitable<std::optional<link::SwitchReport>> read(WatchedSwitch& one);

  boost::asio::thread_pool& blocking_;
  std::vector<WatchedSwitch> switches_;
  std::optional<WatchCounts> counts_;
  std::map<std::string, std::string> unread_;
};

}  // namespace tallywire::round
