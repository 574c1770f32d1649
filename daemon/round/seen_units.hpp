// What the wire showed, as the roll, the findings and the answers want it. Pure.
#pragma once

#include "daemon/round/roll.hpp"
#include "daemon/verdict/arrival_findings.hpp"
#include "probes/arrivals/unit_table.hpp"

#include <nlohmann/json_fwd.hpp>

#include <functional>
#include <string>

namespace tallywire::round {

// Hardware address -> "switch/port"; empty when no switch has told.
using Placed = std::function<std::string(const std::string& hardware_address)>;

Sight sight_of(const arrivals::Unit& unit, const Placed& placed);

// Units without those that were forgotten; `roll` may be null: then nobody is a camera of a design.
verdict::Arrivals arrivals_of(const arrivals::UnitTable& table, const Roll* roll, const Placed& placed);

// One unit with `camera`, `matched_by` and `seen_on`.
nlohmann::json unit_json(const arrivals::Unit& unit, const Roll* roll, const Placed& placed);
// {units: […], dhcp_servers: […], forgotten_units}.
nlohmann::json units_json(const arrivals::UnitTable& table, const Roll* roll, const Placed& placed);

}  // namespace tallywire::round
