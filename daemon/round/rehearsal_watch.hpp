// Stands watch over live work while a rehearsal runs: a STAMP session beside the streams, and the switches' counters between its
// steps. Network thread; switches are read on the blocking pool.
#pragma once

#include "config/design.hpp"
#include "config/secrets.hpp"
#include "daemon/round/rehearsal_harm.hpp"
#include "probes/path/rehearsal.hpp"

#include <boost/asio/thread_pool.hpp>

#include <map>
#include <memory>
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
  RehearsalWatch(boost::asio::thread_pool& blocking, path::FarEndAddress far_end) : blocking_(blocking), far_end_(std::move(far_end)) {}

  // The switches at the ends of these directed uplinks. What has no access is unread.
  void watch_switches(const config::Design& design, const std::vector<std::size_t>& uplinks, const config::Secrets& secrets);
  // First looks, before anything is sent: what is lost then is no harm of the streams. Takes about 1.5 s.
  boost::asio::awaitable<void> begin(Stop& stop);
  // Ends the session beside the streams, within 2 s.
  boost::asio::awaitable<void> end();

  std::optional<std::string> harm() override;
  boost::asio::awaitable<std::optional<std::string>> look() override;

  // What could not be watched, and why.
  const std::map<std::string, std::string>& unread() const { return unread_; }

 private:
  // Shared with the session, which may outlast its owner by a moment.
  struct Beside {
    Stop stop;
    bool running = false;
    WatchCounts counts;
    std::optional<std::string> failure;
  };
  static boost::asio::awaitable<void> run_beside(std::shared_ptr<Beside> beside, path::FarEndAddress far_end);
  void lacks(const std::string& what, const std::string& why) { unread_[what] = why; }
  boost::asio::awaitable<std::optional<link::SwitchReport>> read(WatchedSwitch& one);

  boost::asio::thread_pool& blocking_;
  path::FarEndAddress far_end_;
  std::vector<WatchedSwitch> switches_;
  std::shared_ptr<Beside> beside_;
  WatchCounts before_;
  std::map<std::string, std::string> unread_;
};

}  // namespace tallywire::round
