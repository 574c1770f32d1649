#include "daemon/verdict/targets.hpp"

#include "daemon/verdict/power.hpp"
#include "daemon/verdict/retention.hpp"
#include "daemon/verdict/routes.hpp"

#include <algorithm>
#include <cstdio>

namespace tallywire::verdict {
namespace {

using config::Camera;
using config::Design;
using config::Limits;

std::string plain(double value, const char* unit) {
  char text[64];
  std::snprintf(text, sizeof text, "%.6g %s", value, unit);
  return text;
}

std::string per_cent(double ratio) {
  char text[32];
  std::snprintf(text, sizeof text, "%.4g %%", ratio * 100);
  return text;
}

Target word_target(std::string subject, std::string quantity, std::string word) {
  Target t{std::move(subject), std::move(quantity), Relation::equals, {}, {}, word, {}, 0, word};
  return t;
}

Target exactly(std::string subject, std::string quantity, double value, std::string text) {
  return {std::move(subject), std::move(quantity), Relation::equals, value, value, {}, value, 0,
          std::move(text)};
}

Target at_most(std::string subject, std::string quantity, double limit, double reserve,
               std::string text) {
  return {std::move(subject), std::move(quantity), Relation::at_most, {}, limit, {}, limit, reserve,
          std::move(text)};
}

Target at_least(std::string subject, std::string quantity, double limit, double reserve,
                std::string text) {
  return {std::move(subject), std::move(quantity), Relation::at_least, limit, {}, {}, limit, reserve,
          std::move(text)};
}

Target between(std::string subject, std::string quantity, double promised, double under, double over,
               double reserve, std::string text) {
  return {std::move(subject), std::move(quantity), Relation::between, promised - under,
          promised + over, {}, promised, reserve, std::move(text)};
}

Target bit_rate_target(const std::string& subject, const config::Stream& s, const Limits& limits) {
  const double promised = static_cast<double>(s.bit_rate_bps);
  const double over = promised * limits.bit_rate_over_ratio;
  const double reserve = over * limits.tight_ratio;
  if (s.rate_mode == config::RateMode::constant)
    return between(subject, "payload_bps", promised, promised * limits.bit_rate_under_ratio, over,
                   reserve,
                   plain(promised / 1e6, "Mbit/s constant, at most ") +
                       per_cent(limits.bit_rate_over_ratio) + " over and " +
                       per_cent(limits.bit_rate_under_ratio) + " under");
  auto target = at_most(subject, "payload_bps", promised + over, reserve,
                        plain(promised / 1e6, "Mbit/s capped, at most ") +
                            per_cent(limits.bit_rate_over_ratio) + " over");
  target.promised = promised;
  return target;
}

void add_stream(std::vector<Target>& out, const std::string& subject, const config::Stream& s,
                const Limits& limits) {
  out.push_back(word_target(subject, "codec", s.codec));
  out.push_back(exactly(subject, "width_px", s.width_px, std::to_string(s.width_px) + " pixels wide"));
  out.push_back(
      exactly(subject, "height_px", s.height_px, std::to_string(s.height_px) + " pixels high"));
  const double tolerance = s.frame_rate_hz * limits.frame_rate_tolerance_ratio;
  out.push_back(between(subject, "frame_rate_hz", s.frame_rate_hz, tolerance, tolerance,
                        tolerance * limits.tight_ratio,
                        plain(s.frame_rate_hz, "frames/s, ") +
                            per_cent(limits.frame_rate_tolerance_ratio) + " either way"));
  out.push_back(bit_rate_target(subject, s, limits));
  // Half a frame either way: a mean over several GOPs is a fraction when one of them was cut short.
  if (s.gop_frames)
    out.push_back(between(subject, "gop_frames", *s.gop_frames, 0.5, 0.5, 0,
                          "a key frame every " + std::to_string(*s.gop_frames) + " frames"));
  out.push_back(at_most(subject, "loss_ratio", limits.loss_limit_ratio,
                        limits.loss_limit_ratio * limits.tight_ratio,
                        "at most " + per_cent(limits.loss_limit_ratio) + " of packets lost"));
  out.push_back(at_most(subject, "jitter_ms", limits.jitter_limit_ms,
                        limits.jitter_limit_ms * limits.tight_ratio,
                        "jitter of at most " + plain(limits.jitter_limit_ms, "ms")));
}

void add_identity(std::vector<Target>& out, const Camera& camera) {
  const auto subject = config::subject_of(camera);
  if (camera.serial) out.push_back(word_target(subject, "serial", *camera.serial));
  if (camera.firmware) out.push_back(word_target(subject, "firmware", *camera.firmware));
}

Target days_to_hold(const std::string& subject, double days, const Limits& limits) {
  return at_least(subject, days_held_quantity, days, days * limits.tight_ratio, "holds at least " + plain(days, "days"));
}

void add_camera(std::vector<Target>& out, const Camera& camera, const Limits& limits) {
  const auto subject = config::subject_of(camera);
  out.push_back(word_target(subject, "presence", "arrived"));
  out.push_back(word_target(subject, "port", camera.switch_id + "/" + camera.port));
  out.push_back(exactly(subject, "link_speed_bps", static_cast<double>(camera.link_speed_bps),
                        plain(static_cast<double>(camera.link_speed_bps) / 1e6, "Mbit/s")));
  if (camera.power_class && camera.power_source == config::PowerSource::switch_port)
    out.push_back(exactly(subject, "power_class", *camera.power_class,
                          "power class " + std::to_string(*camera.power_class)));
  add_identity(out, camera);
  const double clock = limits.clock_offset_limit_s;
  out.push_back(between(subject, "clock_offset_s", 0, clock, clock, clock * limits.tight_ratio,
                        "clock within " + plain(clock, "s")));
  for (const auto& head : camera.heads)
    for (const auto& stream : head.streams)
      add_stream(out, config::subject_of(camera, head, stream), stream, limits);
  if (camera.card_days_to_hold > 0) out.push_back(days_to_hold(subject + "/cards", camera.card_days_to_hold, limits));
}

void add_volume(std::vector<Target>& out, const Design& design, const config::Recorder& recorder,
                const config::Volume& volume) {
  const auto subject = config::subject_of(recorder, volume);
  const double rate = designed_write_bytes_per_s(design, volume);
  if (rate <= 0) return;
  out.push_back(at_least(subject, "sustained_write_bytes_per_s", rate,
                         rate * design.limits.volume_reserve_ratio,
                         "at least " + plain(rate / 1e6, "MB/s, reserve ") +
                             per_cent(design.limits.volume_reserve_ratio)));
  if (volume.days_to_hold > 0) out.push_back(days_to_hold(subject, volume.days_to_hold, design.limits));
}

std::set<std::size_t> crossed_links(const Design& design, const std::vector<Link>& links) {
  std::set<std::size_t> crossed;
  for (const auto& camera : design.cameras)
    for (const auto& head : camera.heads)
      for (const auto& stream : head.streams) {
        const auto way = route(links, camera.switch_id,
                               destination_of(design, stream_name(camera, head, stream)));
        crossed.insert(way.begin(), way.end());
      }
  return crossed;
}

}  // namespace

double designed_write_bytes_per_s(const Design& design, const config::Volume& volume) {
  double bits = 0;
  for (const auto& camera : design.cameras)
    for (const auto& head : camera.heads)
      for (const auto& stream : head.streams) {
        const auto name = stream_name(camera, head, stream);
        bits += static_cast<double>(stream.bit_rate_bps) *
                static_cast<double>(std::count(volume.streams.begin(), volume.streams.end(), name));
      }
  return bits / 8;
}

double designed_path_bps(const Design& design) {
  double bits = 0;
  for (const auto& camera : design.cameras)
    for (const auto& head : camera.heads)
      for (const auto& stream : head.streams) bits += static_cast<double>(stream.bit_rate_bps);
  return bits;
}

std::vector<Target> identity_targets(const Camera& camera) {
  std::vector<Target> out;
  add_identity(out, camera);
  out.push_back(exactly(config::subject_of(camera), "heads", static_cast<double>(camera.heads.size()),
                        std::to_string(camera.heads.size()) + (camera.heads.size() == 1 ? " head" : " heads")));
  return out;
}

std::vector<Target> targets_of(const Design& design, const std::set<std::string>& cameras) {
  std::vector<Target> out;
  for (const auto& camera : design.cameras)
    if (cameras.empty() || cameras.contains(camera.id)) add_camera(out, camera, design.limits);
  if (!cameras.empty()) return out;
  const auto links = links_of(design);
  const auto crossed = crossed_links(design, links);
  for (std::size_t i = 0; i < links.size(); ++i) {
    if (!crossed.contains(i)) continue;
    const auto& row = links[i];
    const double speed = static_cast<double>(row.speed_bps);
    const double ceiling = speed * design.limits.uplink_ceiling_ratio;
    out.push_back(at_most(row.subject, "measured_bps", ceiling,
                          ceiling * design.limits.uplink_reserve_ratio,
                          "sustained load of at most " + plain(ceiling / 1e6, "Mbit/s")));
    out.push_back(at_most(row.subject, "busiest_bps", speed, speed * design.limits.uplink_reserve_ratio,
                          "busiest instant of at most " + plain(speed / 1e6, "Mbit/s")));
  }
  for (auto& target : power_targets(design)) out.push_back(std::move(target));
  for (const auto& recorder : design.recorders)
    for (const auto& volume : recorder.volumes) add_volume(out, design, recorder, volume);
  if (design.far_end) {
    const double need = designed_path_bps(design);
    out.push_back(at_least(config::far_end_subject, "tcp_goodput_bps", need,
                           need * design.limits.path_reserve_ratio,
                           "carries at least " + plain(need / 1e6, "Mbit/s")));
  }
  return out;
}

}  // namespace tallywire::verdict
