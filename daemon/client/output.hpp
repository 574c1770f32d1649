// How an answer reaches the person: text, or one JSON object; and the exit code that belongs to it.
#pragma once

#include "daemon/client/command.hpp"
#include "probes/fault.hpp"

#include <nlohmann/json.hpp>

namespace tallywire::client {

// Exit codes of the design page.
inline constexpr int exit_met = 0, exit_missed = 1, exit_wrong = 2, exit_unread = 3;

// The fault on the error stream, and with --json as an object on the output stream. 2 for a wrong request, else 3.
int fail(const Command& command, const Fault& fault);
void print_json(const nlohmann::json& answer);
// Prints a round, a roll, a headroom answer or the answer of an ask, by the command's name.
// One look of the live table of `tap --follow`: written over on a terminal, one below the other elsewhere, one object a line
// as JSON.
void print_tap_table(const Command& command, const nlohmann::json& table);
void print_answer(const Command& command, const nlohmann::json& answer);

nlohmann::json error_json(const Fault& fault);

}  // namespace tallywire::client
