// Units that tell or show something without a login although the design gives them one. Pure; it rests on what a round asks
// anyway: a unit is asked openly first, and its login is sent only when it wants one. No password is tried for this.
#pragma once

#include "daemon/verdict/findings.hpp"

#include <vector>

namespace tallywire::verdict {

// One finding a unit, with every door that stood open: the readings `login` of the unit (ONVIF) and of its streams (RTSP)
// that are "not asked". The clock, which ONVIF lets everybody ask for, is none of them.
std::vector<Finding> find_open_doors(const config::Design& design, const std::vector<Reading>& readings);

}  // namespace tallywire::verdict
