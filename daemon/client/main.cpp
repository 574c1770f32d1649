// tallywire, the command.
#include "daemon/client/commands.hpp"
#include "daemon/client/output.hpp"
#include "probes/open_files.hpp"

#include <csignal>
#include <cstdio>
#include <exception>

int main(int argc, char** argv) {
  using namespace tallywire::client;
  std::signal(SIGPIPE, SIG_IGN);
  tallywire::raise_open_files_limit();
  try {
    const auto parsed = parse_command(argc, argv);
    if (const auto* code = std::get_if<int>(&parsed)) return *code;
    const auto& command = std::get<Command>(parsed);
    if (command.name == "design check") return check_design(command);
    if (command.name == "design import") return import_design(command);
    if (command.name.starts_with("record ")) return run_record(command);
    if (command.name == "arrivals" && !command.file.empty()) return arrivals_in_file(command);
    if (command.name == "drift") return run_drift(command);
    if (command.name == "tap" && (command.alone || !command.file.empty())) return tap_here(command);
    if (command.name == "sheet") return sheet_command(command);
    if (command.name == "witness") return witness_command(command);
    return command.alone ? run_alone(command) : run_by_service(command);
  } catch (const std::exception& e) {
    std::fprintf(stderr, "tallywire: %s\n", e.what());
    return exit_unread;
  }
}
