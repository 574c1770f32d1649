// From readings to loads: what was measured of each stream of the design, and which uplinks it crosses.
#pragma once

#include "config/design.hpp"
#include "daemon/verdict/load_distribution.hpp"
#include "daemon/verdict/routes.hpp"
#include "probes/reading.hpp"

#include <optional>
#include <string>
#include <vector>

namespace tallywire::verdict {

// What taps read stands in for streams that the round's readings lack; where both have one, this decides.
enum class Precedence { readings, newest };

struct MeasuredStream {
  Load load;                                 // peak in 100 ms
  std::optional<LoadDistribution> windows;   // of 100 ms
  double windows_seen = 0;                   // of these, if they had not overlapped
  std::optional<double> keyframe_octets;     // on the wire, the largest that was seen
  bool two_keyframes = false;                // or more were seen
  bool tapped = false;
  SystemTime when{};
};

struct StreamOnLinks {
  const config::Camera* camera = nullptr;
  double designed_bps = 0;                   // on the wire
  std::optional<double> unit_link_bps;       // as the switch tells, else as the design says
  std::optional<MeasuredStream> measured;
  std::vector<std::size_t> way;              // directed links from the unit on: 2 * index in links_of(), + 1 against its direction
};

// Every stream of the design that crosses a link.
std::vector<StreamOnLinks> streams_on_links(const config::Design& design, const std::vector<Link>& links, const std::vector<Reading>& readings,
                                            const std::vector<Reading>& tapped, Precedence which);

}  // namespace tallywire::verdict
