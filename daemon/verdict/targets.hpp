// The targets of a design: every number of it that can be checked.
#pragma once

#include "config/design.hpp"
#include "daemon/verdict/verdict.hpp"

#include <set>
#include <string>
#include <vector>

namespace tallywire::verdict {

// `cameras`: ids to take; empty takes all, and only then the volumes, uplinks and the path as well.
std::vector<Target> targets_of(const config::Design& design, const std::set<std::string>& cameras);

// Who a unit must be: serial number and firmware where the design gives them, and how many heads it has. A round asks for the
// first two; streams of a head that is missing are told by themselves there.
std::vector<Target> identity_targets(const config::Camera& camera);

// What the streams of a volume write together, in payload octets per second, by the design.
double designed_write_bytes_per_s(const config::Design& design, const config::Volume& volume);

// Payload of every stream that the design sends towards the far end's switch from this machine's
// side; what the path must carry, in bit/s of TCP payload.
double designed_path_bps(const config::Design& design);

}  // namespace tallywire::verdict
