// The command's side of the API, over the service's Unix socket.
#pragma once

#include "probes/fault.hpp"
#include "probes/stop.hpp"

#include <boost/asio/awaitable.hpp>
#include <nlohmann/json.hpp>

#include <chrono>
#include <cstdint>
#include <functional>
#include <optional>
#include <string>

namespace tallywire::api {

struct ServiceAnswer {
  unsigned status = 0;
  nlohmann::json body;
};

// One request. A Fault of kind unreachable when no service answers on the socket. A status of 400 or more with
// an error in its body becomes that Fault.
boost::asio::awaitable<Outcome<ServiceAnswer>> ask_service(std::string socket, std::string method, std::string target,
                                                           nlohmann::json body, std::chrono::milliseconds limit);

// Events after the one numbered `after` (none: from now on), until the callback answers false (then true is
// returned), `limit` has passed or `stop` is requested (false), or the service goes away (a Fault). `after` is kept
// at the last event that was told, so that the next call goes on there.
using OnEvent = std::function<bool(const std::string& name, const nlohmann::json& data)>;
boost::asio::awaitable<Outcome<bool>> follow_events(std::string socket, std::optional<std::int64_t>& after, OnEvent on_event,
                                                  std::chrono::milliseconds limit, Stop& stop);

}  // namespace tallywire::api
