// How much of what is written may lie in this machine's memory before the kernel makes the writer wait. Pure parsers of procfs texts
// (Linux Documentation, admin-guide/sysctl/vm: dirty_bytes, dirty_ratio; proc(5): /proc/meminfo).
#pragma once

#include <optional>
#include <string_view>

namespace tallywire::volume {

// "MemAvailable:   24055100 kB" in octets.
std::optional<double> parse_memory(std::string_view meminfo, std::string_view name);
// dirty_bytes where it is not 0, else dirty_ratio per cent of the available memory. None when neither can be read.
std::optional<double> dirty_limit_bytes(std::string_view meminfo, std::string_view dirty_bytes, std::string_view dirty_ratio);

}  // namespace tallywire::volume
