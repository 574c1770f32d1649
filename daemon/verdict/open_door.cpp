#include "daemon/verdict/open_door.hpp"

#include "daemon/verdict/last_readings.hpp"
#include "daemon/verdict/words.hpp"

namespace tallywire::verdict {
namespace {

// "ONVIF (port 80)", and what went out by it.
std::vector<std::string> doors_of(const config::Camera& camera, const LastReadings& last) {
  const auto open = [&](const std::string& subject) { return last.word(subject, "login") == "not asked"; };
  std::vector<std::string> out;
  if (open(config::subject_of(camera)))
    out.push_back("ONVIF, port " + std::to_string(camera.onvif_port) + ": it told who it is, and how it is set, to whoever asks");
  for (const auto& head : camera.heads)
    for (const auto& stream : head.streams)
      if (open(config::subject_of(camera, head, stream)))
        out.push_back("RTSP, port " + std::to_string(camera.rtsp_port) + ": head " + head.id + ", stream " + stream.id + " was shown to whoever asks");
  return out;
}

}  // namespace

std::vector<Finding> find_open_doors(const config::Design& design, const std::vector<Reading>& readings) {
  const LastReadings last(readings);
  std::vector<Finding> out;
  for (const auto& camera : design.cameras) {
    if (!camera.login_secret) continue;
    auto doors = doors_of(camera, last);
    if (doors.empty()) continue;
    out.push_back({"open_door", config::subject_of(camera), camera.id + " answers without a login, though the design gives it one",
                   "switch authentication on in the unit, for RTSP and for ONVIF, and set its password; then prove the unit again", std::move(doors)});
  }
  return out;
}

}  // namespace tallywire::verdict
