// What the readings of a port point to: an open pair, ends that disagree on duplex, a dirty cable, power refused. Pure.
#pragma once

#include "daemon/verdict/findings.hpp"

#include <vector>

namespace tallywire::verdict {

// Of each subject that has them, its last readings: link_speed_bps, offered_speed_bps (the fastest that both ends offer),
// duplex, negotiation, power_state, and the counts between two looks (new_fcs_errors, new_late_collisions, …). What is
// unread says nothing. One finding a subject and cause.
std::vector<Finding> find_link_causes(const std::vector<Reading>& readings);

// A share of damaged frames above this is a dirty link: ten times what a 1000BASE-T link at its limit of one wrong bit in
// 10^10 (IEEE 802.3 clause 40, from memory) makes of frames of 1518 octets.
inline constexpr double dirty_fcs_ratio = 1e-5;

}  // namespace tallywire::verdict
