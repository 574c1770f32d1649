// The three ways in which a command is carried out. Each answers the exit code.
#pragma once

#include "daemon/client/command.hpp"

namespace tallywire::client {

int check_design(const Command& command);
int import_design(const Command& command);
int run_by_service(const Command& command);
int run_alone(const Command& command);
// Who is in a capture file.
int arrivals_in_file(const Command& command);
// A capture file, or an interface with --alone.
int tap_here(const Command& command);

}  // namespace tallywire::client
