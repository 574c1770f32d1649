#include "daemon/round/site_links.hpp"

#include "daemon/verdict/headroom.hpp"
#include "daemon/verdict/stream_loads.hpp"

#include <algorithm>

namespace tallywire::round {
namespace {

// Where a unit hangs: as a switch told, else as the design says.
std::pair<std::string, std::string> place_of(const config::Design& design, const config::Camera& camera, const Roll* roll) {
  const auto* entry = roll ? roll->find(camera.id) : nullptr;
  if (!entry || entry->seen_on.empty()) return {camera.switch_id, camera.port};
  const auto slash = entry->seen_on.find('/');
  const auto switch_id = entry->seen_on.substr(0, slash);
  if (slash == std::string::npos || !design.find_switch(switch_id)) return {camera.switch_id, camera.port};
  return {switch_id, entry->seen_on.substr(slash + 1)};
}

void take_slower(double& speed_bps, double told_bps) {
  if (told_bps > 0) speed_bps = speed_bps > 0 ? std::min(speed_bps, told_bps) : told_bps;
}

void take_load(SharedLink& link, std::optional<double> load_bps) {
  if (!load_bps) return;
  link.load_bps = std::max(link.load_bps, *load_bps);
  link.load_is_measured = true;
}

}  // namespace

std::size_t SiteLinks::link_of(const config::Camera& camera) const {
  return 2 * uplinks_.size() + static_cast<std::size_t>(&camera - design_.cameras.data());
}

std::vector<std::size_t> SiteLinks::way_in(const config::Camera& camera, const Roll* roll) const {
  std::vector<std::size_t> out{link_of(camera)};
  const auto way = verdict::directed_way(uplinks_, place_of(design_, camera, roll).first, design_.entry_switch.value_or("core"));
  out.insert(out.end(), way.begin(), way.end());
  out.push_back(own_in());
  return out;
}

std::vector<std::size_t> SiteLinks::way_to_far_end() const {
  std::vector<std::size_t> out{own_out()};
  if (!design_.far_end) return out;
  const auto& there = design_.far_end->switch_id;
  const auto way = verdict::directed_way(uplinks_, design_.entry_switch.value_or("core"), there);
  out.insert(out.end(), way.begin(), way.end());
  // The far end is at the recorder's side: beyond its switch, a link that leads to no other switch may be its own.
  for (std::size_t i = 0; i < uplinks_.size(); ++i)
    if (uplinks_[i].from == there && !design_.find_switch(uplinks_[i].to) && std::find(out.begin(), out.end(), 2 * i) == out.end()) out.push_back(2 * i);
  return out;
}

// What the design's streams bring on each link on their way to where they are recorded: as a tap read them; with `design_too`
// those that no tap read as they are designed.
std::vector<double> SiteLinks::by_streams(const std::vector<Reading>& tapped, bool design_too) const {
  std::vector<double> out(count(), 0);
  for (const auto& s : verdict::streams_on_links(design_, uplinks_, {}, tapped, verdict::Precedence::newest)) {
    const double load = s.measured ? s.measured->load.mean_bps : design_too ? s.designed_bps : 0;
    out[link_of(*s.camera)] += load;
    for (const auto i : s.way) out[i] += load;
  }
  return out;
}

void SiteLinks::look_at_port(const LinkSight& sight, const std::string& switch_id, const std::string& port, SharedLink* in, SharedLink* out) const {
  if (!sight.looks) return;
  const auto look = sight.looks->find(switch_id);
  if (look == sight.looks->end()) return;
  const auto at = look->second.ports.find(port);
  if (at == look->second.ports.end()) return;
  for (const auto& reading : at->second.readings)
    if (reading.quantity == "link_speed_bps" && reading.number())
      for (auto* link : {in, out})
        if (link) take_slower(link->speed_bps, *reading.number());
  if (in) take_load(*in, at->second.in_bps);
  if (out) take_load(*out, at->second.out_bps);
}

std::vector<SharedLink> SiteLinks::look(const LinkSight& sight) const {
  std::vector<SharedLink> out(count());
  for (std::size_t i = 0; i < uplinks_.size(); ++i)
    for (std::size_t way = 0; way < 2; ++way)
      out[2 * i + way] = {uplinks_[i].subject + " towards " + (way == 0 ? uplinks_[i].to : uplinks_[i].from), static_cast<double>(uplinks_[i].speed_bps)};
  for (const auto& camera : design_.cameras)
    out[link_of(camera)] = {"the link of " + config::subject_of(camera), static_cast<double>(camera.link_speed_bps)};
  out[own_in()].name = "this machine's link, inwards";
  out[own_out()].name = "this machine's link, outwards";

  const auto tapped = by_streams(sight.tapped, false), designed = by_streams(sight.tapped, true);
  std::size_t i = 0;
  for (const auto& sw : design_.switches)
    for (const auto& uplink : sw.uplinks) {
      look_at_port(sight, sw.id, uplink.port, &out[2 * i + 1], &out[2 * i]);
      ++i;
    }
  for (const auto& camera : design_.cameras) {
    const auto [switch_id, port] = place_of(design_, camera, sight.roll);
    look_at_port(sight, switch_id, port, &out[link_of(camera)], nullptr);
  }
  if (sight.own) {
    for (const auto at : {own_in(), own_out()}) take_slower(out[at].speed_bps, sight.own->speed_bps.value_or(0));
    take_load(out[own_in()], sight.own->in_bps);
    take_load(out[own_out()], sight.own->out_bps);
  }
  for (std::size_t at = 0; at < out.size(); ++at) {
    out[at].ceiling_ratio = design_.limits.uplink_ceiling_ratio;
    out[at].load_bps = std::max(out[at].load_bps, out[at].load_is_measured ? tapped[at] : designed[at]);
  }
  return out;
}

}  // namespace tallywire::round
