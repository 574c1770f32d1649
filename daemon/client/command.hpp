// What a person typed, taken apart.
#pragma once

#include <nlohmann/json.hpp>

#include <cstdint>
#include <optional>
#include <string>
#include <variant>
#include <vector>

namespace tallywire::client {

struct Command {
  std::string name;              // "round", "stream", "design check", …
  bool json = false;
  bool alone = false;            // do the work here, no service needed
  std::string socket = "/run/tallywire/tallywired.sock";
  std::string design;            // a file; needed by --alone where the design is measured
  std::string secrets;           // a file
  std::vector<std::string> interfaces;

  std::string file;              // design check, design import, tap, arrivals
  std::string out;
  std::vector<std::string> cameras;
  bool follow = false;
  bool units = false;            // arrivals: everybody who was heard, with each fact
  bool asked = false;            // arrivals: what was asked
  std::string sweep;             // arrivals: a range of addresses to ask
  double sweep_rate = 0;         // addresses/s; 0: the usual rate
  bool night = false;
  double seconds = 0;
  int threads = 0;               // tap; 0: by the cores
  std::string by;                // accept
  std::int64_t round = 0, since = 0;  // accept, drift; 0: not named
  nlohmann::json arguments = nlohmann::json::object();  // of an ask, as in docs/api.md
};

// The command, or the exit code with which to end (help: 0, a wrong request: 2); what is to be said
// has been said.
std::variant<Command, int> parse_command(int argc, char** argv);

}  // namespace tallywire::client
