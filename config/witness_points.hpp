// Points that only a person can confirm: which there are, and of which unit, head, switch or the site each is to be confirmed.
// Pure functions.
#pragma once

#include "config/design.hpp"

#include <nlohmann/json_fwd.hpp>

#include <optional>
#include <string>
#include <vector>

namespace tallywire::config {

inline constexpr std::size_t most_witness_text_octets = 200;
inline constexpr const char* const site_subject = "site";

const char* name_of(PowerSource source);
std::optional<PowerSource> power_source_of(const std::string& name);

// What the trade looks at by eye, where a design lists no points (common practice; a unit's installation guide comes first).
std::vector<WitnessPoint> usual_witness_points();

// One point of one subject: "camera/ID", "camera/ID/head/ID", "switch/ID" or "site".
struct WitnessDue {
  std::string subject;
  std::string point;
  std::string text;
};

// In the design's order: the site, each switch, each camera with its heads.
std::vector<WitnessDue> witness_points_due(const Design& design);

nlohmann::json witness_points_json(const std::vector<WitnessPoint>& points);  // as in a design file

}  // namespace tallywire::config
