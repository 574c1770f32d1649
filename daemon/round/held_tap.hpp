// A tap on an interface for so many seconds, as a person asks for it. Network thread; whatever waits for the tap's own
// threads runs on the pool.
#pragma once

#include "probes/stop.hpp"
#include "probes/tap/live_tap.hpp"

#include <boost/asio/awaitable.hpp>
#include <boost/asio/thread_pool.hpp>

#include <chrono>
#include <functional>
#include <string>

namespace tallywire::round {

struct TapRequest {
  std::string interface;
  tap::TapSettings settings;
  std::chrono::milliseconds duration{10'000};
  int threads = 0;  // 0: by the cores
};

using TapProgress = std::function<void(double done_s, double total_s, const std::string& text)>;

// What was read until the time was over or a stop was requested. A Fault when the interface cannot be tapped.
boost::asio::awaitable<Outcome<tap::TapReport>> hold_tap_for(TapRequest request, boost::asio::thread_pool& blocking,
                                                             TapProgress progress, Stop& stop);

}  // namespace tallywire::round
