#include "config/design.hpp"

#include "config/design_json.hpp"
#include "config/witness_points.hpp"

namespace tallywire::config {
namespace {

using nlohmann::json;

template <class T>
void put(json& out, const char* key, const std::optional<T>& value) {
  if (value) out[key] = *value;
}

json to_json(const Stream& s) {
  static const char* const transports[] = {"auto", "tcp", "udp", "multicast"};
  json out = {{"id", s.id},
              {"use", s.use},
              {"codec", s.codec},
              {"width_px", s.width_px},
              {"height_px", s.height_px},
              {"frame_rate_hz", s.frame_rate_hz},
              {"bit_rate_kbps", static_cast<double>(s.bit_rate_bps) / 1e3},
              {"rate_mode", s.rate_mode == RateMode::constant ? "constant" : "capped"},
              {"transport", transports[static_cast<int>(s.transport)]}};
  put(out, "gop_frames", s.gop_frames);
  put(out, "path", s.path);
  return out;
}

json to_json(const Camera& c) {
  json out = {{"id", c.id},
              {"place", c.place},
              {"switch", c.switch_id},
              {"port", c.port},
              {"address", c.address},
              {"link_speed_mbps", static_cast<double>(c.link_speed_bps) / 1e6},
              {"power_source", name_of(c.power_source)},
              {"rtsp_tls", c.rtsp_tls},
              {"rtsp_port", c.rtsp_port},
              {"allow_basic_login", c.allow_basic_login},
              {"onvif_https", c.onvif_https},
              {"onvif_port", c.onvif_port},
              {"card_use", c.card_use == CardUse::together ? "together" : "copies"},
              {"card_days_to_hold", c.card_days_to_hold},
              {"heads", json::array()},
              {"cards", json::array()}};
  put(out, "hardware_address", c.hardware_address);
  put(out, "serial", c.serial);
  put(out, "firmware", c.firmware);
  put(out, "power_class", c.power_class);
  put(out, "worst_power_w", c.worst_power_w);
  put(out, "login_secret", c.login_secret);
  put(out, "bench_limit_s", c.bench_limit_s);
  put(out, "bench_ambient_min_c", c.bench_ambient_min_c);
  put(out, "bench_ambient_max_c", c.bench_ambient_max_c);
  for (const auto& head : c.heads) {
    json streams = json::array();
    for (const auto& stream : head.streams) streams.push_back(to_json(stream));
    out["heads"].push_back({{"id", head.id}, {"view", head.view}, {"streams", streams}});
    put(out["heads"].back(), "video_source", head.video_source);
  }
  if (!c.card_streams.empty()) out["card_streams"] = c.card_streams;
  for (const auto& card : c.cards)
    out["cards"].push_back({{"capacity_gb", card.capacity_bytes / 1e9}, {"speed_class", card.speed_class}});
  return out;
}

json to_json(const Switch& s) {
  json out = {{"id", s.id}, {"place", s.place}, {"address", s.address}, {"ports", s.ports}, {"uplinks", json::array()}};
  if (s.snmp)
    out["snmp"] = {{"version", s.snmp->version}, {"secret", s.snmp->secret}, {"udp_port", s.snmp->udp_port}};
  for (const auto& u : s.uplinks)
    out["uplinks"].push_back(
        {{"id", u.id}, {"port", u.port}, {"to", u.to}, {"speed_mbps", static_cast<double>(u.speed_bps) / 1e6}});
  put(out, "power_budget_w", s.power_budget_w);
  return out;
}

json to_json(const Recorder& r) {
  json out = {{"id", r.id}, {"place", r.place}, {"address", r.address}, {"switch", r.switch_id}, {"port", r.port},
              {"volumes", json::array()}};
  for (const auto& v : r.volumes)
    out["volumes"].push_back({{"id", v.id},
                              {"path", v.path},
                              {"on_far_end", v.on_far_end},
                              {"capacity_gb", v.capacity_bytes / 1e9},
                              {"days_to_hold", v.days_to_hold},
                              {"streams", v.streams}});
  return out;
}

json to_json(const Limits& l) {
  return {{"uplink_ceiling_ratio", l.uplink_ceiling_ratio},
          {"uplink_reserve_ratio", l.uplink_reserve_ratio},
          {"busiest_instant_risk_ratio", l.busiest_instant_risk_ratio},
          {"power_reserve_ratio", l.power_reserve_ratio},
          {"bit_rate_over_ratio", l.bit_rate_over_ratio},
          {"bit_rate_under_ratio", l.bit_rate_under_ratio},
          {"frame_rate_tolerance_ratio", l.frame_rate_tolerance_ratio},
          {"loss_limit_ratio", l.loss_limit_ratio},
          {"jitter_limit_ms", l.jitter_limit_ms},
          {"clock_offset_limit_s", l.clock_offset_limit_s},
          {"volume_reserve_ratio", l.volume_reserve_ratio},
          {"volume_kept_free_ratio", l.volume_kept_free_ratio},
          {"container_overhead_ratio", l.container_overhead_ratio},
          {"path_reserve_ratio", l.path_reserve_ratio},
          {"tight_ratio", l.tight_ratio},
          {"stream_seconds", l.stream_seconds},
          {"lost_after_s", l.lost_after_s},
          {"drift_bit_rate_ratio", l.drift_bit_rate_ratio},
          {"drift_frame_rate_ratio", l.drift_frame_rate_ratio},
          {"drift_gop_ratio", l.drift_gop_ratio},
          {"drift_loss_ratio", l.drift_loss_ratio},
          {"drift_headroom_ratio", l.drift_headroom_ratio},
          {"drift_days_held_ratio", l.drift_days_held_ratio}};
}

}  // namespace

json to_json(const Design& d) {
  json out = {{"format", d.format},
              {"site", {{"name", d.site.name}, {"place", d.site.place}, {"customer", d.site.customer}}},
              {"limits", to_json(d.limits)},
              {"switches", json::array()},
              {"cameras", json::array()},
              {"recorders", json::array()}};
  for (const auto& s : d.switches) out["switches"].push_back(to_json(s));
  for (const auto& c : d.cameras) out["cameras"].push_back(to_json(c));
  for (const auto& r : d.recorders) out["recorders"].push_back(to_json(r));
  if (d.far_end)
    out["far_end"] = {{"address", d.far_end->address},
                      {"tcp_port", d.far_end->tcp_port},
                      {"secret", d.far_end->secret},
                      {"switch", d.far_end->switch_id}};
  put(out, "entry_switch", d.entry_switch);
  put(out, "nightly_at", d.nightly_at);
  out["witness_points"] = witness_points_json(d.witness_points);
  return out;
}

const Camera* Design::find_camera(const std::string& id) const {
  for (const auto& camera : cameras)
    if (camera.id == id) return &camera;
  return nullptr;
}

const Switch* Design::find_switch(const std::string& id) const {
  for (const auto& sw : switches)
    if (sw.id == id) return &sw;
  return nullptr;
}

std::string subject_of(const Camera& camera) { return "camera/" + camera.id; }

std::string subject_of(const Camera& camera, const Head& head, const Stream& stream) {
  return "camera/" + camera.id + "/head/" + head.id + "/stream/" + stream.id;
}

std::string subject_of(const Switch& sw, const std::string& port) { return "switch/" + sw.id + "/port/" + port; }

std::string subject_of(const Switch& sw, const Uplink& uplink) {
  return "switch/" + sw.id + "/uplink/" + uplink.id;
}

std::string subject_of(const Recorder& recorder, const Volume& volume) {
  return "recorder/" + recorder.id + "/volume/" + volume.id;
}

std::string stream_url(const Camera& camera, const Stream& stream) {
  if (!stream.path) return {};
  const bool v6 = camera.address.find(':') != std::string::npos;
  return std::string(camera.rtsp_tls ? "rtsps://" : "rtsp://") + (v6 ? "[" + camera.address + "]" : camera.address) + ":" + std::to_string(camera.rtsp_port) +
         *stream.path;
}

}  // namespace tallywire::config
