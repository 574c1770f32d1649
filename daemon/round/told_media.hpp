// Where a stream of the design stands on the unit, and what the unit says of it: the design's side of
// probes/camera/resolution.hpp. Pure.
#pragma once

#include "config/design.hpp"
#include "probes/camera/identity.hpp"
#include "probes/fault.hpp"
#include "probes/reading.hpp"

#include <optional>
#include <string>
#include <vector>

namespace tallywire::round {

// What the last asking of a unit gave: its media, or the reason why there are none.
struct ToldMedia {
  std::optional<camera::MediaReport> media;
  std::string unread;
};

// The design's path on the design's port when it gives one, else the unit's address for it. The Fault says why there is
// none, with what the unit offers.
Outcome<std::string> url_of(const config::Camera& camera, const config::Head& head, const config::Stream& stream,
                            const ToldMedia& told);

// Every stream of the camera as the unit says it is set, and the snapshot address of every head.
std::vector<Reading> readings_told(const config::Camera& camera, const ToldMedia& told, const std::string& password,
                                   SystemTime when);

}  // namespace tallywire::round
