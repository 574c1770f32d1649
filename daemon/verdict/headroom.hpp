// Every uplink: what the design asks of it, what was measured, the busiest instant, the ceiling.
#pragma once

#include "config/design.hpp"
#include "daemon/verdict/verdict.hpp"

#include <nlohmann/json_fwd.hpp>

#include <optional>
#include <span>
#include <string>
#include <vector>

namespace tallywire::verdict {

// One stream as a load: its mean and the most it ever sends in one window, both on the wire.
struct Load {
  double mean_bps = 0;
  double peak_bps = 0;
};

// The rate that the sum of independent streams exceeds in a window with a probability of at most
// `risk_ratio` (0 < risk < 1). Proven for any independent loads that stay between 0 and their peak:
// the exponential moment of such a load is at most that of an on/off source of the same mean and
// peak (Hoeffding 1963, Theorem 1), so Chernoff's bound holds. Never above the sum of the peaks.
// Frame clocks of real units can lock: independence is an assumption, to be said with the figure.
double busiest_bps(std::span<const Load> loads, double risk_ratio);

struct HeadroomRow {
  std::string uplink;  // subject
  double speed_bps = 0;
  double ceiling_bps = 0;
  double designed_bps = 0;
  std::optional<double> measured_bps;
  std::optional<double> busiest_bps;
  double busiest_risk_ratio = 0;
  int streams = 0;           // that cross it by design
  int streams_measured = 0;  // of these, read in this round or by a tap
  int streams_tapped = 0;    // of those measured, by a tap
  std::string method;
  std::string unread;        // why measured or busiest is not there
};

// What a payload of this rate makes on the wire: 1400-octet RTP packets over UDP and IPv4, with
// Ethernet header, FCS, preamble and gap (RFC 5180 App. A; 1478 octets for 1400).
double designed_wire_bps(double payload_bps);

// What taps read stands in for streams that `readings` lack; where both have one, `which` decides. The row's method tells
// how many streams a tap measured, and when.
enum class Precedence { readings, newest };
std::vector<HeadroomRow> headroom_of(const config::Design& design, const std::vector<Reading>& readings,
                                     const std::vector<Reading>& tapped = {}, Precedence which = Precedence::readings);

// Readings "measured_bps" and "busiest_bps" of each row, so that they are judged like any other.
std::vector<Reading> to_readings(const std::vector<HeadroomRow>& rows, SystemTime when);

void to_json(nlohmann::json& out, const HeadroomRow& row);

}  // namespace tallywire::verdict
