// How long each boxed unit has been powered, held against the limit of its installation guide. Pure.
//
// The clock begins with the first frame that is heard of a unit: while it boots it is powered and says nothing, so that the true
// time is longer by that. A restart does not begin it anew, for the unit stays hot; an absence does, and is told.
#pragma once

#include "config/design.hpp"
#include "daemon/round/roll.hpp"

#include <nlohmann/json_fwd.hpp>

#include <map>
#include <optional>
#include <set>
#include <string>
#include <vector>

namespace tallywire::round {

enum class BenchState {
  awaited,   // not seen yet
  no_limit,  // powered; the design gives no limit for it
  running,
  nearly,    // from bench_nearly_ratio of the limit on
  over,      // at the limit, or beyond it
  off,       // it was here and is gone
};
const char* name_of(BenchState state);

inline constexpr double bench_nearly_ratio = 0.8;
// Signs of a start this near to the first frame belong to the power-on; later ones are restarts.
inline constexpr std::chrono::seconds bench_power_on{30};

struct BenchClock {
  std::string camera, place;
  BenchState state = BenchState::awaited;
  std::optional<SystemTime> powered_since;  // begin of this stay, or of the last one when it is off
  std::optional<double> powered_for_s;      // until now, or until it was gone
  // False: it was here when listening began, or came without a sign of a start; it may have been powered for longer.
  bool power_on_seen = false;
  std::optional<double> limit_s;            // of the design
  std::optional<double> left_s;             // negative beyond the limit
  std::optional<double> ambient_min_c, ambient_max_c;  // of the design; nothing here measures the room
  std::vector<SystemTime> restarts;         // within the stay
  std::optional<SystemTime> off_since;
  std::optional<double> off_before_s;       // it was off only for so long before this stay: it may not have cooled down

  // Also of a unit that went off only after its limit.
  bool went_over() const { return limit_s && powered_for_s && *powered_for_s >= *limit_s; }
};

struct BenchView {
  const std::vector<Entry>& entries;                             // of the roll
  const std::map<std::string, std::vector<SystemTime>>& starts;  // signs of a start by camera, oldest first
  SystemTime listening_since{};
  SystemTime now{};
};

// In the design's order: `cameras`, or, when none is named, every camera that has a limit or was seen.
std::vector<BenchClock> bench_clocks(const config::Design& design, const BenchView& view, const std::set<std::string>& cameras);

// For a person: "hall-quad has been powered for 24 min 0 s; its limit is 30 min 0 s". Empty unless it is nearly or over.
std::string bench_warning(const BenchClock& clock);

void to_json(nlohmann::json& out, const BenchClock& clock);

}  // namespace tallywire::round
