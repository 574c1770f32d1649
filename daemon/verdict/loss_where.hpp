// Where packets are lost, from who shares a link: streams of one unit alone lose on its own link, all that share an uplink
// and none else on that uplink. Pure.
//
// TCP repairs what is lost on the way: a stream over TCP neither shows a loss of the network nor clears a link of it, and
// what is missing in one was left out by the unit. What this machine's own sockets dropped is its own. Streams without loss clear
// a link that they cross only when they had packets enough together to show the loss (5 expected, so that none is by chance in
// less than one case of a hundred).
#pragma once

#include "daemon/verdict/findings.hpp"

#include <vector>

namespace tallywire::verdict {

// loss_access, loss_uplink, loss_entry, loss_between, loss_in_unit, loss_here; each concerns the streams that it explains.
// A stream that loses while another of the same unit, on all the same links, does not is placed nowhere.
std::vector<Finding> find_loss_places(const config::Design& design, const std::vector<Reading>& readings);

}  // namespace tallywire::verdict
