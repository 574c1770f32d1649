#include "daemon/round/bench_clock.hpp"

#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <array>
#include <cmath>

namespace tallywire::round {
namespace {

constexpr std::array<const char*, 6> names = {"awaited", "no_limit", "running", "nearly", "over", "off"};

double seconds_between(SystemTime from, SystemTime to) { return std::max(0.0, std::chrono::duration<double>(to - from).count()); }

bool is_here(const Entry& entry) { return entry.presence != Presence::awaited && entry.presence != Presence::lost; }

BenchState state_of(double powered_for_s, std::optional<double> limit_s) {
  if (!limit_s) return BenchState::no_limit;
  if (powered_for_s >= *limit_s) return BenchState::over;
  return powered_for_s >= bench_nearly_ratio * *limit_s ? BenchState::nearly : BenchState::running;
}

// What the signs of a start say of the stay that began at `arrived` and lasts until `until`.
void read_starts(BenchClock& out, const std::vector<SystemTime>& starts, SystemTime arrived, SystemTime until) {
  for (const auto sign : starts) {
    if (sign < arrived - bench_power_on || sign > until) continue;
    if (sign <= arrived + bench_power_on)
      out.power_on_seen = true;
    else
      out.restarts.push_back(sign);
  }
}

void set_stay(BenchClock& out, const Entry& entry, const BenchView& view) {
  if (entry.presence == Presence::awaited) return;
  const bool here = is_here(entry);
  const auto begin = here ? entry.arrived : entry.arrived_before;
  const auto until = here ? view.now : entry.left.value_or(entry.since);
  if (!here) {
    out.state = BenchState::off;
    out.off_since = until;
    if (!entry.left) return;  // it was lost before we listened
  }
  out.powered_since = begin.value_or(view.listening_since);
  out.powered_for_s = seconds_between(*out.powered_since, until);
  const auto starts = view.starts.find(entry.camera);
  if (starts != view.starts.end()) read_starts(out, starts->second, *out.powered_since, until);
  if (!begin) out.power_on_seen = false;
  if (out.limit_s) out.left_s = *out.limit_s - *out.powered_for_s;
  if (!here) return;
  out.state = state_of(*out.powered_for_s, out.limit_s);
  if (begin && entry.left) out.off_before_s = seconds_between(*entry.left, *begin);
}

nlohmann::json maybe(const std::optional<double>& value) { return value ? nlohmann::json(std::round(*value * 1000) / 1000) : nlohmann::json(); }

nlohmann::json maybe(const std::optional<SystemTime>& when) { return when ? nlohmann::json(to_rfc3339(*when)) : nlohmann::json(); }

}  // namespace

const char* name_of(BenchState state) { return names[static_cast<std::size_t>(state)]; }

std::vector<BenchClock> bench_clocks(const config::Design& design, const BenchView& view, const std::set<std::string>& cameras) {
  std::map<std::string, const Entry*> entries;
  for (const auto& entry : view.entries) entries[entry.camera] = &entry;
  std::vector<BenchClock> out;
  for (const auto& camera : design.cameras) {
    const auto at = entries.find(camera.id);
    const bool seen = at != entries.end() && at->second->presence != Presence::awaited;
    if (cameras.empty() ? !seen && !camera.bench_limit_s : !cameras.contains(camera.id)) continue;
    BenchClock clock;
    clock.camera = camera.id;
    clock.place = camera.place;
    clock.limit_s = camera.bench_limit_s;
    clock.ambient_min_c = camera.bench_ambient_min_c;
    clock.ambient_max_c = camera.bench_ambient_max_c;
    if (at != entries.end()) set_stay(clock, *at->second, view);
    out.push_back(std::move(clock));
  }
  return out;
}

std::string bench_warning(const BenchClock& clock) {
  if (clock.state != BenchState::nearly && clock.state != BenchState::over) return "";
  const bool over = clock.state == BenchState::over;
  return clock.camera + " has been powered for " + (clock.power_on_seen ? "" : "at least ") + verdict::spoken_duration(*clock.powered_for_s) +
         (over ? ": its limit in the box is over, " : "; its limit in the box is ") + verdict::spoken_duration(*clock.limit_s) +
         (over ? "; take its power away and let it cool" : "; come to an end, or take its power away");
}

void to_json(nlohmann::json& out, const BenchClock& c) {
  auto restarts = nlohmann::json::array();
  for (const auto when : c.restarts) restarts.push_back(to_rfc3339(when));
  out = {{"camera", c.camera},
         {"place", c.place},
         {"state", name_of(c.state)},
         {"powered_since", maybe(c.powered_since)},
         {"powered_for_s", maybe(c.powered_for_s)},
         {"power_on_seen", c.power_on_seen},
         {"limit_s", maybe(c.limit_s)},
         {"left_s", maybe(c.left_s)},
         {"ambient_min_c", maybe(c.ambient_min_c)},
         {"ambient_max_c", maybe(c.ambient_max_c)},
         {"restarts", std::move(restarts)},
         {"warning", bench_warning(c)},
         {"off_since", maybe(c.off_since)},
         {"off_before_s", maybe(c.off_before_s)}};
}

}  // namespace tallywire::round
