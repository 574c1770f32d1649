#include "daemon/verdict/where.hpp"

#include "daemon/verdict/last_readings.hpp"

namespace tallywire::verdict {
namespace {

const config::Camera* camera_of(const config::Design& design, const std::string& subject) {
  constexpr std::string_view prefix = "camera/";
  if (!subject.starts_with(prefix)) return nullptr;
  return design.find_camera(subject.substr(prefix.size(), subject.find('/', prefix.size()) - prefix.size()));
}

// ": it has a link and gives power"
std::string state_of(const LastReadings& last, const std::string& unit) {
  const auto link = last.word(unit, "link_state"), power = last.word(unit, "power_state");
  std::string out;
  if (link) out = *link == "up" ? ", which has a link" : ", which has no link";
  if (power) out += std::string(out.empty() ? ", where" : " and") + " the switch says of its power: " + *power;
  return out;
}

}  // namespace

void name_ports(std::vector<Finding>& findings, const config::Design& design, const std::vector<Reading>& readings) {
  const LastReadings last(readings);
  for (auto& finding : findings) {
    const auto* camera = camera_of(design, finding.subject);
    if (!camera) continue;
    const auto unit = config::subject_of(*camera);
    const auto seen = last.word(unit, "port").value_or(camera->switch_id + "/" + camera->port);
    const auto slash = seen.find('/');
    const auto switch_id = seen.substr(0, slash), port = slash == std::string::npos ? "" : seen.substr(slash + 1);
    const bool named = finding.sentence.find(seen) != std::string::npos || finding.sentence.find("port " + port + " of " + switch_id) != std::string::npos;
    if (named || port.empty()) continue;
    finding.sentence += finding.id == "never_arrived" ? "; it belongs on port " + port + " of " + switch_id + state_of(last, unit)
                                                      : " (port " + port + " of " + switch_id + ")";
  }
}

}  // namespace tallywire::verdict
