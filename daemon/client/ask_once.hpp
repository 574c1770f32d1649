// One question to the service, waited for on this thread.
#pragma once

#include "probes/fault.hpp"

#include <nlohmann/json.hpp>

#include <string>

namespace tallywire::client {

// The body of the answer, within 40 s. A Fault of kind unreachable when no service answers on the socket; one that the service
// tells comes with the service's words.
Outcome<nlohmann::json> ask_once(const std::string& socket, const std::string& method, const std::string& target, const nlohmann::json& body = nullptr);

}  // namespace tallywire::client
