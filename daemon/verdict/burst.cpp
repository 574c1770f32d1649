#include "daemon/verdict/burst.hpp"

#include <algorithm>
#include <map>

namespace tallywire::verdict {
namespace {

struct Crossing {
  const BurstFlow* flow;
  std::size_t at;  // of its way
};

// What comes in to the link that each of these crosses at its place.
Arrival arriving(const std::vector<Crossing>& crossings, std::span<const double> link_bps) {
  std::map<std::size_t, std::vector<const BurstFlow*>> of_unit;
  std::map<std::size_t, std::vector<Crossing>> of_link;
  for (const auto& [flow, at] : crossings) {
    if (at == 0)
      of_unit[flow->unit].push_back(flow);
    else
      of_link[flow->way[at - 1]].push_back({flow, at - 1});
  }
  std::vector<Arrival> parts;
  for (const auto& [unit, flows] : of_unit) {
    double octets = 0;
    for (const auto* flow : flows) octets += flow->octets;
    parts.emplace_back(octets, flows.front()->unit_link_bps);
  }
  // Each step goes one link back on every way, so it ends.
  for (const auto& [before, those] : of_link) parts.push_back(arriving(those, link_bps).limited_to(link_bps[before]));
  return Arrival::sum_of(parts);
}

}  // namespace

Arrival::Arrival(double octets, double bps) {
  if (octets > 0) points_.push_back({octets * 8 / bps, octets});
}

double Arrival::octets_at(double s) const {
  Point before;
  for (const auto& point : points_) {
    if (s < point.s) return before.octets + (point.octets - before.octets) * (s - before.s) / (point.s - before.s);
    before = point;
  }
  return before.octets;
}

Arrival Arrival::sum_of(std::span<const Arrival> parts) {
  std::vector<double> times;
  for (const auto& part : parts)
    for (const auto& point : part.points_) times.push_back(point.s);
  std::sort(times.begin(), times.end());
  times.erase(std::unique(times.begin(), times.end()), times.end());
  Arrival out;
  for (const double s : times) {
    double octets = 0;
    for (const auto& part : parts) octets += part.octets_at(s);
    out.points_.push_back({s, octets});
  }
  return out;
}

// Never steeper than before, it crosses the line of the speed once at most: there the queue has gone.
Arrival Arrival::limited_to(double bps) const {
  Arrival out;
  Point before;
  for (const auto& point : points_) {
    const double line = bps / 8;
    if (point.octets < line * point.s) {
      if (before.octets > line * before.s || (out.points_.empty() && before.s > 0)) {
        const double slope = (point.octets - before.octets) / (point.s - before.s);
        const double s = (before.octets - slope * before.s) / (line - slope);
        out.points_.push_back({s, line * s});
      }
      out.points_.push_back(point);
    }
    before = point;
  }
  if (!points_.empty() && before.octets >= bps / 8 * before.s) out.points_.push_back({before.octets * 8 / bps, before.octets});
  return out;
}

double Arrival::most_waiting_octets(double bps) const {
  double most = 0;
  for (const auto& point : points_) most = std::max(most, point.octets - bps / 8 * point.s);
  return most;
}

double most_waiting_octets(std::span<const BurstFlow> flows, std::size_t link, std::span<const double> link_bps) {
  std::vector<Crossing> crossings;
  for (const auto& flow : flows) {
    const auto at = std::find(flow.way.begin(), flow.way.end(), link);
    if (at != flow.way.end()) crossings.push_back({&flow, static_cast<std::size_t>(at - flow.way.begin())});
  }
  return arriving(crossings, link_bps).most_waiting_octets(link_bps[link]);
}

}  // namespace tallywire::verdict
