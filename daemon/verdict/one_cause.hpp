// One cause is told once: findings that another one explains become its evidence. Pure.
#pragma once

#include "daemon/verdict/findings.hpp"

#include <vector>

namespace tallywire::verdict {

// In the order given, less those that follow from another one of the same subject, of a part of it, or of what it concerns.
std::vector<Finding> tell_once(std::vector<Finding> findings);

}  // namespace tallywire::verdict
