// Causes the readings point to: each rule is a pure function over verdicts, readings and the roll.
// Ids, causes and next steps are catalogued in docs/findings.md.
#pragma once

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
};

// Somebody on the wire whom the design does not know.
struct Stranger {
  std::string hardware_address;
  std::string address;  // may be empty
  SystemTime first_seen{};
  std::string seen_on;  // "switch/port"; may be empty
};

std::vector<Finding> find_causes(const std::vector<Verdict>& verdicts,
                                 const std::vector<Stranger>& strangers);

void to_json(nlohmann::json& out, const Finding& finding);
void to_json(nlohmann::json& out, const Stranger& stranger);

}  // namespace tallywire::verdict
