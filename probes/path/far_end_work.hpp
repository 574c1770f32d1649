// The pieces of work that a far end does for those who hold its key, one function each. A new one is declared here and named in
// the table in far_end.cpp; it answers far_end_accepted() or far_end_refused() first, ends by itself within a stated time, and at
// once when the far end is stopped or its asker hangs up.
#pragma once

#include "probes/path/far_end.hpp"
#include "probes/path/far_end_channel.hpp"

#include <boost/asio/awaitable.hpp>
#include <nlohmann/json.hpp>

#include <atomic>
#include <chrono>
#include <memory>

namespace tallywire::path {

// Where the work is done; all of it outlives the work.
struct FarEndPlace {
  boost::asio::io_context& context;
  boost::asio::thread_pool& blocking;
  const FarEndSettings& settings;
  const std::atomic<bool>& stopped;
};

using FarEndWork = boost::asio::awaitable<void> (*)(FarEndPlace place, std::shared_ptr<FarEndChannel> channel, nlohmann::json request);

inline constexpr std::chrono::seconds handshake_limit{5};        // for any frame of the conversation
inline constexpr std::chrono::minutes longest_measurement{10};

boost::asio::awaitable<void> serve_rehearsal(FarEndPlace place, std::shared_ptr<FarEndChannel> channel, nlohmann::json request);
boost::asio::awaitable<void> serve_throughput(FarEndPlace place, std::shared_ptr<FarEndChannel> channel, nlohmann::json request);
boost::asio::awaitable<void> serve_stamp(FarEndPlace place, std::shared_ptr<FarEndChannel> channel, nlohmann::json request);
boost::asio::awaitable<void> serve_udp(FarEndPlace place, std::shared_ptr<FarEndChannel> channel, nlohmann::json request);
boost::asio::awaitable<void> serve_volume(FarEndPlace place, std::shared_ptr<FarEndChannel> channel, nlohmann::json request);

}  // namespace tallywire::path
