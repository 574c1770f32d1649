// What a person types wrong, answered in a sentence of ours where the parser's own would not help. Threads: main, before any work.
#pragma once

#include <CLI/CLI.hpp>

#include <cstdint>
#include <functional>
#include <string>

namespace tallywire::client {

// An option that takes the number of a round: whole, from 1 on. Anything else is a parse error that says so.
CLI::Option* add_round_number(CLI::App& app, const std::string& option, std::function<void(std::int64_t)> take, const std::string& help);

// The sentence about the first word that is no command, where one is due; empty when there is none such.
std::string unknown_command(const CLI::App& app, int argc, const char* const* argv);

}  // namespace tallywire::client
