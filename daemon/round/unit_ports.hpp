// Which port a unit hangs on, and what the switch says of that port. Pure.
#pragma once

#include "config/design.hpp"
#include "daemon/round/instruments.hpp"
#include "daemon/round/roll.hpp"
#include "probes/reading.hpp"

#include <map>
#include <string>
#include <vector>

namespace tallywire::round {

using SwitchLooks = std::map<std::string, SwitchLook>;  // by switch id

// Hardware address -> "switch/port" for every address that a switch has learnt on a port that leads
// to no other switch: no uplink of the design, and, where it is also seen elsewhere, no neighbour that bridges.
std::map<std::string, std::string> placed_units(const config::Design& design,
                                                const SwitchLooks& looks);

// "switch/port" of every port that has no link.
std::vector<std::string> ports_down(const std::string& switch_id, const SwitchLook& look);

// Quantities presence, port, link_speed_bps, power_class and whatever else the switch tells of the
// port, under the camera's subject; unread with the reason where it is not known. Of a unit that is away its empty port tells
// link_state, power_state and what was counted of power.
std::vector<Reading> port_readings(const config::Camera& camera, const Entry& entry,
                                   const SwitchLooks& looks, SystemTime when);

// What the switch says of itself, under "switch/ID": power_budget_w, power_drawn_w; unread with the reason. And what it says of
// the ports of its uplinks, each under its uplink's subject.
std::vector<Reading> switch_readings(const config::Switch& sw, const SwitchLooks& looks, SystemTime when);

bool is_here(Presence presence);

}  // namespace tallywire::round
