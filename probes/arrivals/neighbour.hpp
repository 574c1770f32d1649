// Who is at the other end of this cable: the switch says so by LLDP.
#pragma once

#include "probes/arrivals/listener.hpp"

#include <atomic>
#include <chrono>

namespace tallywire::arrivals {

// Switches repeat themselves every 30 s unless set otherwise (IEEE 802.1AB, msgTxInterval).
inline constexpr std::chrono::seconds neighbour_patience{32};

// The first LLDP frame that comes in; none when none came within `limit` or `stop` was set. Blocks: call it on a
// pool thread. A Fault when the interface cannot be listened to.
Outcome<std::optional<wire::LldpNeighbour>> hear_neighbour(const std::string& interface, std::chrono::milliseconds limit,
                                                const std::atomic<bool>& stop);

}  // namespace tallywire::arrivals
