// Spreads the frames of an interface over several sockets (PACKET_FANOUT, packet(7)) by the two addresses in them, so
// that all that two machines say to each other comes by one.
#pragma once

#include <vector>

namespace tallywire::tap {

// Sockets of packet captures that are active on the same interface. Answers errno, 0 when all share.
int share_by_addresses(const std::vector<int>& sockets);

}  // namespace tallywire::tap
