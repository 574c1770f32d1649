// Causes the readings point to: each rule is a pure function over verdicts, readings and the roll.
// Ids, causes and next steps are catalogued in docs/findings.md.
#pragma once

#include "config/design.hpp"
#include "daemon/verdict/verdict.hpp"

#include <nlohmann/json_fwd.hpp>

#include <string>
#include <vector>

namespace tallywire::verdict {

struct Finding {
  std::string id;        // of docs/findings.md
  std::string subject;
  std::string sentence;  // for a person on a ladder
  std::string next_step;
  std::vector<std::string> evidence;
  std::vector<std::string> concerns = {};  // other subjects whose findings it explains (one_cause.hpp); not told
};

// Somebody on the wire whom the design does not know.
struct Stranger {
  std::string hardware_address;  // of a unit behind a router: its endpoint
  std::string address;  // may be empty
  SystemTime first_seen{};
  std::string seen_on;  // "switch/port"; may be empty
  std::string maker = {};  // by the IEEE's list; may be empty
  std::string name = {};   // what it says of itself; may be empty
};

// All but those of a stream's settings (stream_settings.hpp).
std::vector<Finding> find_causes(const std::vector<Verdict>& verdicts,
                                 const std::vector<Stranger>& strangers);

// Streams that send something else than their unit says they are set to: the last told_… reading of a subject against
// the last measured one, beyond the design's tolerances and both uncertainties. One finding a stream; what is unread on
// either side says nothing.
std::vector<Finding> find_not_as_told(const std::vector<Reading>& readings, const config::Limits& limits);

void to_json(nlohmann::json& out, const Finding& finding);
void to_json(nlohmann::json& out, const Stranger& stranger);

}  // namespace tallywire::verdict
