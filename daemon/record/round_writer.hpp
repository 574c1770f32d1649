// A round's document and what it says of each unit, into a transaction that is open.
#pragma once

#include "daemon/record/connection.hpp"
#include "daemon/record/round_parts.hpp"

#include <cstdint>
#include <map>
#include <string>
#include <vector>

namespace tallywire::record {

// Both take the place of what the round had.
Outcome<void> write_parts(Connection& connection, std::int64_t round, const std::vector<RoundPart>& parts);
Outcome<void> write_units(Connection& connection, std::int64_t round, const std::map<std::string, UnitOutcome>& units);

}  // namespace tallywire::record
