// When a rehearsal does harm to those who work on the same path: pure rules over what was seen.
#pragma once

#include "probes/link/switch_reader.hpp"

#include <cstdint>
#include <optional>
#include <set>
#include <string>

namespace tallywire::round {

// Test packets that go beside the made-up streams, counted from the begin of the watch.
struct WatchCounts {
  std::uint64_t sent = 0, answered = 0, lost = 0;
};

// Any loss since `before`: what stands in the same queue as live streams was dropped.
std::optional<std::string> harm_by_packets(const WatchCounts& before, const WatchCounts& now);

// New discards or errors at one of these ports (names as the switch gives them; all when empty) between two looks. Counters that
// began anew tell nothing.
std::optional<std::string> harm_by_counters(const link::SwitchReport& before, const link::SwitchReport& now, const std::set<std::string>& ports);

}  // namespace tallywire::round
