// A capture file tapped from its beginning to its end, on the caller's thread.
#pragma once

#include "probes/fault.hpp"
#include "probes/tap/tap_report.hpp"

#include <atomic>
#include <cstdint>
#include <functional>
#include <string>

namespace tallywire::tap {

// Called some times a second: octets of the file read and in all (0: not known, a pipe), and the tap as it stands.
using RunLook = std::function<void(std::uint64_t done_octets, std::uint64_t all_octets, Tap& tap)>;

// A Fault when there is no such file or it is no capture. A damaged one is read up to the damage, one that was stopped as
// far as it came: the report says so.
Outcome<TapReport> tap_file(const std::string& path, TapSettings settings, const std::atomic<bool>& stop, const RunLook& look);

}  // namespace tallywire::tap
