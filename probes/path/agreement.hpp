// Comes to an agreement with a far end about one piece of work. Nothing but the greeting is sent at a host that does not prove
// that it holds the key. Network thread.
#pragma once

#include "probes/fault.hpp"
#include "probes/path/far_end_channel.hpp"
#include "probes/stop.hpp"

#include <boost/asio/awaitable.hpp>
#include <nlohmann/json.hpp>

#include <memory>
#include <string>

namespace tallywire::path {

struct FarEndAddress {
  std::string address;        // numeric
  std::uint16_t tcp_port = 7861;
  std::string key;            // at least 16 octets
};

struct Agreement {
  std::shared_ptr<FarEndChannel> channel;  // ready for the work
  nlohmann::json details;                  // what the far end said beside its yes
};

// Connects, proves the key both ways, sends the request `{"do": NAME, …}`. A stop ends it at once, as cancelled.
boost::asio::awaitable<Outcome<Agreement>> agree(FarEndAddress far_end, nlohmann::json request, Stop* stop = nullptr);

}  // namespace tallywire::path
