// Every uplink: what the design asks of it, what was measured, the busiest instant, the ceiling, how many more units fit, and
// what the switch's buffer must swallow. Pure functions; a convolution takes some milliseconds for each uplink, a tenth of a
// second and more where hundreds of streams cross: not on the network thread.
#pragma once

#include "config/design.hpp"
#include "daemon/verdict/busiest.hpp"
#include "daemon/verdict/findings.hpp"
#include "daemon/verdict/stream_loads.hpp"
#include "daemon/verdict/verdict.hpp"

#include <nlohmann/json_fwd.hpp>

#include <optional>
#include <string>
#include <vector>

namespace tallywire::verdict {

// How many more units like the heaviest one that was measured on the uplink.
struct MoreUnits {
  std::optional<int> units;    // 0 when the uplink is over already
  std::string like;            // subject of that unit
  std::string limited_by;      // "ceiling" or "busiest_instant"; empty when unread
  std::string unread;
};

// All key frames start together: what waits before the uplink.
struct BufferNeed {
  std::optional<double> bytes;
  std::string method;
  std::string unread;
};

struct HeadroomRow {
  std::string uplink;  // subject
  // "towards switch ID", "towards recorder ID", "towards the core": a link is full duplex, and its row is the worse of the two
  // ways. All that follows is of this way alone, but for `buffer`, the larger need of both. Empty where nothing crosses.
  std::string direction;
  double speed_bps = 0;
  double ceiling_bps = 0;
  double designed_bps = 0;
  std::optional<double> measured_bps;
  std::optional<double> busiest_bps;
  std::optional<double> together_bps;  // every stream at its peak in one window: what locked frame clocks bring
  double busiest_risk_ratio = 0;       // asked for
  BusiestInstant busiest;              // how busiest_bps was found
  double windows_least = 0;            // windows in which the stream was seen that was seen least; 0: not known
  int streams = 0;           // that cross it this way by design
  int streams_measured = 0;  // of these, read in this round or by a tap
  int streams_tapped = 0;    // of those measured, by a tap
  MoreUnits more;
  BufferNeed buffer;
  std::string method;
  std::string unread;        // why measured or busiest is not there
};

// What a payload of this rate makes on the wire: 1400-octet RTP packets over UDP and IPv4, with
// Ethernet header, FCS, preamble and gap (RFC 5180 App. A; 1478 octets for 1400).
double designed_wire_bps(double payload_bps);

// The row's method tells how many streams a tap measured, and when.
std::vector<HeadroomRow> headroom_of(const config::Design& design, const std::vector<Reading>& readings,
                                     const std::vector<Reading>& tapped = {}, Precedence which = Precedence::readings);

// Readings "measured_bps" and "busiest_bps" of each row, so that they are judged like any other.
std::vector<Reading> to_readings(const std::vector<HeadroomRow>& rows, SystemTime when);

// Uplinks that hold as long as the streams' phases are independent, and not when all key frames start together.
std::vector<Finding> find_collisions(const std::vector<HeadroomRow>& rows);

void to_json(nlohmann::json& out, const HeadroomRow& row);

}  // namespace tallywire::verdict
