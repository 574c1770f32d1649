// Which links a stream crosses. The design's switches, recorders and the core are nodes, its uplinks
// are the shared links between them; the way through them is the one with the fewest links.
#pragma once

#include "config/design.hpp"

#include <string>
#include <vector>

namespace tallywire::verdict {

struct Link {
  std::string subject;  // of the uplink
  std::uint64_t speed_bps = 0;
  std::string from;     // node ids: a switch, a recorder, "core"
  std::string to;
};

std::vector<Link> links_of(const config::Design& design);

// Indices into links_of(design), from one node to another; empty when they are the same node or
// when no uplink joins them.
std::vector<std::size_t> route(const std::vector<Link>& links, const std::string& from,
                               const std::string& to);

// The same as directed links: 2 * index, + 1 against the link's direction.
std::vector<std::size_t> directed_way(const std::vector<Link>& links, const std::string& from, const std::string& to);

// Where a stream is to be recorded: the recorder that lists it in a volume, else "core" when an
// uplink leads there, else empty. `name` is "camera/head/stream".
std::string destination_of(const config::Design& design, const std::string& name);

// The node that a recorder stands at: its own when an uplink names it, else its switch.
std::string node_of(const config::Design& design, const config::Recorder& recorder);

std::string stream_name(const config::Camera& camera, const config::Head& head,
                        const config::Stream& stream);

}  // namespace tallywire::verdict
