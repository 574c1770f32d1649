#include "daemon/verdict/drift_quantities.hpp"

#include "daemon/verdict/words.hpp"

#include <cmath>

namespace tallywire::verdict {
namespace {

using config::Limits;

constexpr WatchedQuantity quantities[] = {
    {"presence", "presence"},
    {"serial", "presence"},
    {"heads", "presence"},
    {"port", "port"},
    {"link_speed_bps", "link"},
    {"duplex", "link"},
    {"power_class", "power"},
    {"firmware", "firmware"},
    {"codec", "setting"},
    {"width_px", "setting"},
    {"height_px", "setting"},
    {"frame_rate_hz", "setting", DriftWay::in_a_row, DriftScale::ratio, &Limits::drift_frame_rate_ratio},
    {"gop_frames", "setting", DriftWay::in_a_row, DriftScale::ratio, &Limits::drift_gop_ratio},
    {"told_codec", "setting"},
    {"told_width_px", "setting"},
    {"told_height_px", "setting"},
    {"told_frame_rate_hz", "setting"},
    {"told_bit_rate_bps", "setting"},
    {"told_gop_frames", "setting"},
    {"payload_bps", "bit_rate", DriftWay::level, DriftScale::ratio, &Limits::drift_bit_rate_ratio},
    {"loss_ratio", "loss", DriftWay::level, DriftScale::amount, &Limits::drift_loss_ratio},
    {"measured_bps", "headroom", DriftWay::level, DriftScale::share, &Limits::drift_headroom_ratio},
    {"busiest_bps", "headroom", DriftWay::level, DriftScale::share, &Limits::drift_headroom_ratio},
    {"days_held_days", "days_held", DriftWay::level, DriftScale::ratio, &Limits::drift_days_held_ratio},
};

}  // namespace

const WatchedQuantity* watched(const std::string& quantity) {
  for (const auto& w : quantities)
    if (quantity == w.quantity) return &w;
  return nullptr;
}

std::map<std::string, double> full_of(const config::Design& design) {
  std::map<std::string, double> out;
  for (const auto& sw : design.switches)
    for (const auto& uplink : sw.uplinks) {
      const auto subject = config::subject_of(sw, uplink);
      const auto speed = static_cast<double>(uplink.speed_bps);
      out[drift_key(subject, "measured_bps")] = speed * design.limits.uplink_ceiling_ratio;
      out[drift_key(subject, "busiest_bps")] = speed;
    }
  return out;
}

std::optional<double> scaled(const WatchedQuantity& w, double value, const std::map<std::string, double>& full, const std::string& key) {
  if (!std::isfinite(value)) return std::nullopt;
  if (w.scale == DriftScale::ratio) return value > 0 ? std::optional(std::log(value)) : std::nullopt;
  if (w.scale != DriftScale::share) return value;
  const auto of = full.find(key);
  return of == full.end() || of->second <= 0 ? std::nullopt : std::optional(value / of->second);
}

double unscaled(const WatchedQuantity& w, double value, const std::map<std::string, double>& full, const std::string& key) {
  if (w.scale == DriftScale::ratio) return std::exp(value);
  if (w.scale != DriftScale::share) return value;
  const auto of = full.find(key);
  return of == full.end() ? value : value * of->second;
}

double scaled_tolerance(const WatchedQuantity& w, const Limits& limits) {
  if (!w.tolerance) return 0;
  const double tolerance = limits.*w.tolerance;
  return w.scale == DriftScale::ratio ? std::log1p(tolerance) : tolerance;
}

std::string drift_key(const std::string& subject, const std::string& quantity) { return subject + " " + quantity; }

nlohmann::json value_of(const Reading& reading) {
  if (const auto number = reading.number()) return *number;
  if (const auto word = reading.word()) return *word;
  return nullptr;
}

std::string change_text(const std::string& subject, const std::string& quantity, const nlohmann::json& was, const nlohmann::json& is) {
  const auto who = spoken_subject(subject);
  if (quantity == "presence") return who + " is " + spoken_value(quantity, is) + ", was " + spoken_value(quantity, was);
  const auto said = [&](const nlohmann::json& value) { return value.is_null() ? std::string("not there") : spoken_value(quantity, value); };
  const auto name = quantity == "payload_bps" ? std::string("bit rate") : spoken_quantity(quantity);
  return who + ", " + name + ": " + said(is) + ", was " + said(was);
}

}  // namespace tallywire::verdict
