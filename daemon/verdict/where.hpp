// Where to put the ladder: a unit's findings name the switch and the port that it hangs on. Pure.
#pragma once

#include "daemon/verdict/findings.hpp"

#include <vector>

namespace tallywire::verdict {

// Adds to the sentence of each finding of a camera the port where a switch has learnt it, else the one where the design wants
// it, unless the sentence names it already; of a unit that is away also what that port says of link and power.
void name_ports(std::vector<Finding>& findings, const config::Design& design, const std::vector<Reading>& readings);

}  // namespace tallywire::verdict
