#include "config/witness_points.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <array>

namespace tallywire::config {
namespace {

constexpr std::array<const char*, 3> power_sources = {"switch_port", "injector", "auxiliary"};
constexpr std::array<const char*, 4> places = {"unit", "head", "switch", "site"};

}  // namespace

const char* name_of(PowerSource source) { return power_sources[static_cast<std::size_t>(source)]; }

std::optional<PowerSource> power_source_of(const std::string& name) {
  const auto at = std::find(power_sources.begin(), power_sources.end(), name);
  if (at == power_sources.end()) return std::nullopt;
  return static_cast<PowerSource>(at - power_sources.begin());
}

std::vector<WitnessPoint> usual_witness_points() {
  return {{"lanyard", "lanyard hooked", WitnessedAt::unit, {}},
          {"glands", "glands closed", WitnessedAt::unit, {}},
          {"dome", "dome seated and clean", WitnessedAt::unit, {}},
          {"label", "label matches the schedule", WitnessedAt::unit, {}},
          // Such a unit negotiates its power with nobody: no port tells of it (finding power_by_hand).
          {"supply", "supply rated and fed as drawn", WitnessedAt::unit, {PowerSource::injector, PowerSource::auxiliary}},
          {"view", "view and focus as drawn", WitnessedAt::head, {}}};
}

std::vector<WitnessDue> witness_points_due(const Design& design) {
  std::vector<WitnessDue> out;
  const auto add = [&](WitnessedAt where, const std::string& subject, const Camera* camera) {
    for (const auto& point : design.witness_points) {
      const auto& fed = point.fed_by;
      if (point.at != where || (camera && !fed.empty() && std::find(fed.begin(), fed.end(), camera->power_source) == fed.end())) continue;
      out.push_back({subject, point.id, point.text});
    }
  };
  add(WitnessedAt::site, site_subject, nullptr);
  for (const auto& sw : design.switches) add(WitnessedAt::site_switch, "switch/" + sw.id, nullptr);
  for (const auto& camera : design.cameras) {
    add(WitnessedAt::unit, subject_of(camera), &camera);
    for (const auto& head : camera.heads) add(WitnessedAt::head, subject_of(camera) + "/head/" + head.id, &camera);
  }
  return out;
}

nlohmann::json witness_points_json(const std::vector<WitnessPoint>& points) {
  auto out = nlohmann::json::array();
  for (const auto& point : points) {
    out.push_back({{"id", point.id}, {"text", point.text}, {"for", places[static_cast<std::size_t>(point.at)]}});
    if (point.fed_by.empty()) continue;
    auto fed = nlohmann::json::array();
    for (const auto source : point.fed_by) fed.push_back(name_of(source));
    out.back()["fed_by"] = fed;
  }
  return out;
}

}  // namespace tallywire::config
