// The ways in which a command is carried out, each of which answers the exit code; and the options of some.
#pragma once

#include "daemon/client/command.hpp"

namespace CLI {
class App;
}

namespace tallywire::client {

int check_design(const Command& command);
int import_design(const Command& command);
int run_by_service(const Command& command);
int run_alone(const Command& command);
// Who is in a capture file.
int arrivals_in_file(const Command& command);
// `record export` and `record copy`: their options, and what they do.
void add_record(CLI::App& app, Command& command);
int run_record(const Command& command);
// What drifted from the accepted round, or between two rounds.
int run_drift(const Command& command);
void add_drift(CLI::App& app, Command& command);
// A capture file, or an interface with --alone.
int tap_here(const Command& command);
void add_sheet(CLI::App& app, Command& command);
int sheet_command(const Command& command);
void add_witness(CLI::App& app, Command& command);
int witness_command(const Command& command);

}  // namespace tallywire::client
