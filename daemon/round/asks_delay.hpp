// The part of `path` that measures delay, loss, delay variation and order by STAMP.
#pragma once

#include "daemon/round/asks.hpp"
#include "probes/fault.hpp"

#include <optional>
#include <string>

namespace tallywire::round {

// Puts `delay` into the answer, or the reason into its `unread`. A Fault only where the far end takes part in nothing. The
// references must outlive the wait.
boost::asio::awaitable<std::optional<Fault>> add_delay(const nlohmann::json& arguments, std::string key, nlohmann::json& answer,
                                                       AskProgress progress, Stop& stop);

// A reflector of the standard that is no Tallywire, named by `plain_reflector_port`: delay alone. `key` may be the name of a secret.
bool asks_plain_reflector(const nlohmann::json& arguments);
boost::asio::awaitable<AskAnswer> answer_plain_delay(nlohmann::json arguments, const config::Secrets& secrets, AskProgress progress, Stop& stop);

}  // namespace tallywire::round
