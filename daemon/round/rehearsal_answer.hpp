// The answer to `rehearse`: which streams are made up, and what became of them. Pure; the convolutions in it take some
// milliseconds, a tenth of a second and more for hundreds of streams: not on the network thread.
#pragma once

#include "config/design.hpp"
#include "probes/path/rehearsal.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::round {

// What the asked-for streams have in common.
struct MakeUp {
  double scale = 1;                             // of the bit rates
  double key_ratio = path::usual_key_ratio;
  std::string switch_id;                        // its units alone; empty: all
  std::optional<double> link_bps;               // of every unit; else as the design says, else 100 Mbit/s
};

// Every stream of the design, or of one switch. JPEG has key frames only; without a GOP in the design two seconds are taken.
std::vector<path::MadeUpStream> made_up_of(const config::Design& design, const MakeUp& make_up);

struct RehearsalContext {
  const config::Design* design = nullptr;       // null: the streams were given by number
  std::string from;                             // node that the streams start from; empty: not known
  std::string host;
  MakeUp make_up;
  bool live = false;
  std::map<std::string, std::string> unread;    // what could not be watched
  int step_gops = 2;
};

// As in docs/commands.md, "rehearse", with verdicts, counts and exit_code.
nlohmann::json rehearsal_answer(const path::RehearsalPlan& plan, const path::RehearsalReport& report, const RehearsalContext& context, SystemTime when);

}  // namespace tallywire::round
