// Headroom as readings, as findings and as JSON (docs/api.md, "Headroom").
#include "daemon/verdict/headroom.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <cmath>

namespace tallywire::verdict {

std::vector<Reading> to_readings(const std::vector<HeadroomRow>& rows, SystemTime when) {
  std::vector<Reading> out;
  const auto add = [&](const HeadroomRow& row, const char* quantity, std::optional<double> value,
                       double limit) {
    // A sum of some streams proves a miss, never a pass.
    if (value && (row.unread.empty() || *value > limit))
      out.push_back(read_number(row.uplink, quantity, *value, row.method, when));
    else
      out.push_back(unread(row.uplink, quantity, row.unread, when));
  };
  for (const auto& row : rows) {
    if (row.streams == 0) continue;
    add(row, "measured_bps", row.measured_bps, row.ceiling_bps);
    add(row, "busiest_bps", row.busiest_bps, row.speed_bps);
  }
  return out;
}

std::vector<Finding> find_collisions(const std::vector<HeadroomRow>& rows) {
  std::vector<Finding> out;
  for (const auto& row : rows) {
    // Where the independent figure is too high already, uplink_busiest_instant says so.
    if (!row.together_bps || *row.together_bps <= row.speed_bps || *row.busiest_bps > row.speed_bps) continue;
    Finding finding{"uplink_key_frames_together", row.uplink,
                    spoken_subject(row.uplink) + " holds as long as the streams' key frames fall apart: together they are " +
                        spoken_bit_rate(*row.together_bps) + " in " + std::to_string(wire_window_ms) + " ms " + row.direction + ", its speed is " +
                        spoken_bit_rate(row.speed_bps),
                    "frame clocks that follow one source can lock: do not start all units at once, set key-frame intervals that differ, or cap the key "
                    "frames; and see that the switch's buffer takes what waits",
                    {"busiest instant " + spoken_bit_rate(*row.busiest_bps) + " with phases taken as independent, which is an assumption"}};
    if (row.buffer.bytes) finding.evidence.push_back("waiting before the uplink when all key frames start together: " + spoken_bytes(*row.buffer.bytes));
    out.push_back(std::move(finding));
  }
  return out;
}

namespace {

template <class T>
nlohmann::json or_null(const std::optional<T>& value) {
  return value ? nlohmann::json(*value) : nlohmann::json();
}

nlohmann::json or_null(const std::string& text) { return text.empty() ? nlohmann::json() : nlohmann::json(text); }

}  // namespace

void to_json(nlohmann::json& out, const HeadroomRow& row) {
  const auto& b = row.busiest;
  const bool found = row.busiest_bps.has_value();
  const auto when_found = [&](auto value) { return found ? nlohmann::json(value) : nlohmann::json(); };
  const auto when_convolved = [&](auto value) { return found && b.by_convolution ? nlohmann::json(value) : nlohmann::json(); };
  out = {{"uplink", row.uplink},
         {"direction", or_null(row.direction)},
         {"speed_bps", row.speed_bps},
         {"ceiling_bps", row.ceiling_bps},
         {"designed_bps", row.designed_bps},
         {"measured_bps", or_null(row.measured_bps)},
         {"busiest_bps", or_null(row.busiest_bps)},
         {"busiest_risk_ratio", row.busiest_risk_ratio},
         {"busiest_exceeded_ratio", when_found(b.exceeded_ratio)},
         {"busiest_by", when_found(b.by_convolution ? "convolution" : "bound")},
         {"busiest_window_ms", when_found(wire_window_ms)},
         {"busiest_grid_steps", when_convolved(b.grid_steps)},
         {"busiest_grid_step_bps", when_convolved(b.grid_step_bps)},
         {"busiest_rounding_bps", when_convolved(b.rounding_bps)},
         {"busiest_error_ratio", when_convolved(b.error_ratio)},
         {"windows_seen_least", row.windows_least > 0 ? nlohmann::json(std::floor(row.windows_least)) : nlohmann::json()},
         {"together_bps", or_null(row.together_bps)},
         {"more_units", or_null(row.more.units)},
         {"more_units_like", or_null(row.more.like)},
         {"more_units_limited_by", or_null(row.more.limited_by)},
         {"more_units_unread", or_null(row.more.unread)},
         {"buffer_needed_bytes", or_null(row.buffer.bytes)},
         {"buffer_method", or_null(row.buffer.method)},
         {"buffer_unread", or_null(row.buffer.unread)},
         {"streams", row.streams},
         {"streams_measured", row.streams_measured},
         {"streams_tapped", row.streams_tapped},
         {"method", row.method},
         {"unread", or_null(row.unread)}};
}

}  // namespace tallywire::verdict
