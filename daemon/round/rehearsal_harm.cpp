#include "daemon/round/rehearsal_harm.hpp"

#include <algorithm>

namespace tallywire::round {
namespace {

// 32 bits, which may have wrapped once (RFC 2863 §3.1.6).
std::uint64_t risen(const std::optional<std::uint64_t>& before, const std::optional<std::uint64_t>& now) {
  return before && now ? static_cast<std::uint32_t>(*now - *before) : 0;
}

}  // namespace

std::optional<std::string> harm_by_packets(const WatchCounts& before, const WatchCounts& now) {
  if (now.lost <= before.lost) return std::nullopt;
  return std::to_string(now.lost - before.lost) + " of " + std::to_string(now.sent - std::min(now.sent, before.sent)) +
         " test packets beside the streams were lost (STAMP, RFC 8762)";
}

std::optional<std::string> harm_by_counters(const link::SwitchReport& before, const link::SwitchReport& now, const std::set<std::string>& ports) {
  if (now.sys_uptime_s < before.sys_uptime_s) return std::nullopt;
  for (const auto& port : now.ports) {
    if (!ports.empty() && !ports.contains(port.name)) continue;
    const auto then = std::find_if(before.ports.begin(), before.ports.end(), [&](const auto& p) { return p.index == port.index && p.name == port.name; });
    if (then == before.ports.end() || then->discontinuity != port.discontinuity) continue;
    const auto discards = risen(then->out_discards, port.out_discards) + risen(then->in_discards, port.in_discards);
    const auto errors = risen(then->in_errors, port.in_errors) + risen(then->out_errors, port.out_errors);
    if (discards + errors == 0) continue;
    const auto& name = now.sys_name.empty() ? now.address : now.sys_name;
    return "switch " + name + ", port " + port.name + ": " + std::to_string(discards) + " new discards, " + std::to_string(errors) + " new errors";
  }
  return std::nullopt;
}

}  // namespace tallywire::round
