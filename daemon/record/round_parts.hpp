// A round's document in parts, each packed by itself: a page reads the part that it shows, and a summary none. Pure.
#pragma once

#include "probes/fault.hpp"

#include <nlohmann/json.hpp>

#include <map>
#include <string>
#include <string_view>
#include <vector>

namespace tallywire::record {

struct RoundPart {
  std::string name;         // "head", "verdicts", "roll", …
  std::size_t bytes = 0;    // of its JSON text
  std::string packed;       // zstd
};

// "head" with all that is no list, then each list of the document as a part of its own.
std::vector<RoundPart> parts_of(const nlohmann::json& document);

std::string pack(std::string_view text);
// A Fault of kind malformed when it is damaged, or longer than `bytes`.
Outcome<std::string> unpack(std::string_view packed, std::size_t bytes);

// What a round's verdicts and roll say of each unit.
struct UnitOutcome {
  std::string presence;  // as in the roll; empty when the roll does not tell
  int met = 0, tight = 0, missed = 0, unread = 0;
};
std::map<std::string, UnitOutcome> unit_outcomes(const nlohmann::json& document);  // by the camera's id

}  // namespace tallywire::record
