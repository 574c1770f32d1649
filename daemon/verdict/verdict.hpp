// A target held against a reading. Pure functions, no I/O, no clock.
#pragma once

#include "probes/reading.hpp"

#include <nlohmann/json_fwd.hpp>

#include <optional>
#include <string>
#include <vector>

namespace tallywire::verdict {

enum class Relation { at_least, at_most, between, equals };
enum class Kind { met, tight, missed, unread };

const char* name_of(Relation relation);
const char* name_of(Kind kind);

// One number (or word) of the design that can be checked. `low` and `high` are the limits, in the
// unit of the quantity, and belong to what is met; a value nearer to a limit than `reserve` is
// tight. Words are compared exactly.
struct Target {
  std::string subject;
  std::string quantity;
  Relation relation = Relation::equals;
  std::optional<double> low;
  std::optional<double> high;
  std::optional<std::string> word;
  std::optional<double> promised;  // what the design says, before tolerance
  double reserve = 0;              // in the unit of the quantity, >= 0
  std::string text;                // for a person: "25 frames/s, 5 % either way"
};

struct Verdict {
  Target target;
  Reading reading;
  Kind kind = Kind::unread;
  // Distance from the nearest limit as a share of that limit; negative when missed. None for words
  // and for a limit of 0.
  std::optional<double> margin_ratio;
  std::string reason;  // why it is not met; empty when it is
};

// Holds one target against one reading of the same subject and quantity. A met value whose
// uncertainty reaches over the limit is tight.
Verdict judge(const Target& target, const Reading& reading);

// Every target with the last reading of its subject and quantity; a target nobody read is unread
// with the reason "was not measured in this round".
std::vector<Verdict> judge_all(const std::vector<Target>& targets,
                               const std::vector<Reading>& readings, SystemTime when);

struct Counts {
  int met = 0, tight = 0, missed = 0, unread = 0;
};
Counts count(const std::vector<Verdict>& verdicts);

// Exit code of the commands: 0 nothing missed, 1 something missed, 3 something unread and nothing
// missed.
int exit_code_of(const Counts& counts);

// As in docs/api.md, "A round".
void to_json(nlohmann::json& out, const Target& target);
void to_json(nlohmann::json& out, const Verdict& verdict);
void to_json(nlohmann::json& out, const Counts& counts);

}  // namespace tallywire::verdict
