// The answer to `switch`: the report, what changed since an earlier look, what hangs where by the design, and what the readings
// point to. Pure.
#pragma once

#include "config/design.hpp"
#include "probes/link/switch_reader.hpp"

#include <nlohmann/json.hpp>

#include <optional>

namespace tallywire::round {

// As in docs/commands.md, "switch". With a design that has a switch at this address its uplinks lead to a switch, and units
// are named.
nlohmann::json switch_answer(link::SwitchReport report, const std::optional<link::SwitchReport>& before, const config::Design* design);

}  // namespace tallywire::round
