#include "daemon/verdict/stream_loads.hpp"

#include "daemon/verdict/headroom.hpp"

#include <algorithm>
#include <map>

namespace tallywire::verdict {
namespace {

using ByName = std::map<std::string, const Reading*>;

ByName by_name(const std::vector<Reading>& readings) {
  ByName out;
  for (const auto& r : readings) out[r.subject + " " + r.quantity] = &r;
  return out;
}

const Reading* find(const ByName& readings, const std::string& subject, const std::string& quantity) {
  const auto found = readings.find(subject + " " + quantity);
  return found == readings.end() ? nullptr : found->second;
}

std::optional<double> number_of(const ByName& readings, const std::string& subject, const std::string& quantity) {
  const auto* found = find(readings, subject, quantity);
  return found ? found->number() : std::nullopt;
}

void take_windows(MeasuredStream& out, const ByName& readings, const std::string& subject) {
  const auto* reading = find(readings, subject, wire_windows_quantity);
  const auto word = reading ? reading->word() : std::nullopt;
  const auto windows = word ? decode_windows(*word) : std::nullopt;
  if (!windows) return;
  out.windows.emplace(*windows, wire_window_ms, out.load.mean_bps);
  double begun = 0;
  for (const auto& window : *windows) begun += static_cast<double>(window.windows);
  out.windows_seen = begun * wire_window_step_ms / wire_window_ms;
}

std::optional<MeasuredStream> measured_of(const ByName& readings, const std::string& subject, bool tapped) {
  const auto wire = number_of(readings, subject, "wire_bps");
  const auto payload = number_of(readings, subject, "payload_bps");
  const auto peak = number_of(readings, subject, "peak_bps_100ms");
  if (!wire || !payload || !peak || *payload <= 0) return std::nullopt;
  MeasuredStream out;
  // The peak is counted in payload octets: brought to the wire by the stream's own ratio.
  out.load = {*wire, std::max(*wire, *peak * *wire / *payload)};
  take_windows(out, readings, subject);
  if (const auto octets = number_of(readings, subject, "keyframe_bytes_max")) out.keyframe_octets = *octets * *wire / *payload;
  out.two_keyframes = number_of(readings, subject, "gop_frames").has_value();
  out.tapped = tapped;
  out.when = readings.at(subject + " wire_bps")->when;
  return out;
}

}  // namespace

std::vector<StreamOnLinks> streams_on_links(const config::Design& design, const std::vector<Link>& links, const std::vector<Reading>& readings,
                                            const std::vector<Reading>& tapped, Precedence which) {
  const auto own = by_name(readings), by_tap = by_name(tapped);
  std::vector<StreamOnLinks> out;
  for (const auto& camera : design.cameras)
    for (const auto& head : camera.heads)
      for (const auto& stream : head.streams) {
        const auto to = destination_of(design, stream_name(camera, head, stream));
        StreamOnLinks one;
        if (!to.empty()) one.way = directed_way(links, camera.switch_id, to);
        if (one.way.empty()) continue;
        const auto subject = config::subject_of(camera, head, stream);
        one.camera = &camera;
        one.designed_bps = designed_wire_bps(static_cast<double>(stream.bit_rate_bps));
        one.unit_link_bps = number_of(own, config::subject_of(camera), "link_speed_bps");
        if (!one.unit_link_bps && camera.link_speed_bps > 0) one.unit_link_bps = static_cast<double>(camera.link_speed_bps);
        one.measured = measured_of(own, subject, false);
        auto seen = measured_of(by_tap, subject, true);
        if (seen && (!one.measured || (which == Precedence::newest && seen->when > one.measured->when))) one.measured = std::move(seen);
        out.push_back(std::move(one));
      }
  return out;
}

}  // namespace tallywire::verdict
