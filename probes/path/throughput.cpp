#include "probes/path/throughput.hpp"

#include <nlohmann/json.hpp>

namespace tallywire::path {

void to_json(nlohmann::json& out, const ThroughputReport& r) {
  out = {{"direction", r.direction == Direction::to_far_end ? "to" : "from"}, {"method", r.method}, {"unread", r.unread}};
  const auto put = [&out](const char* key, const std::optional<double>& value) {
    out[key] = value ? nlohmann::json(*value) : nlohmann::json();
  };
  put("goodput_bps", r.goodput_bps);
  put("duration_s", r.duration_s);
  put("received_bytes", r.received_bytes);
  put("round_trip_ms", r.round_trip_ms);
  put("round_trip_min_ms", r.round_trip_min_ms);
  put("retransmitted_packets", r.retransmitted_packets);
  put("segment_bytes", r.segment_bytes);
}

std::vector<Reading> to_readings(const ThroughputReport& r, const std::string& subject) {
  std::vector<Reading> out;
  const auto over = std::chrono::nanoseconds(static_cast<std::int64_t>(r.duration_s.value_or(0) * 1e9));
  const auto add = [&](const char* quantity, const char* field, const std::optional<double>& value) {
    const auto why = r.unread.find(field);
    out.push_back(value ? read_number(subject, quantity, *value, r.method, r.when, over)
                        : unread(subject, quantity, why == r.unread.end() ? "was not measured" : why->second, r.when));
  };
  add("tcp_goodput_bps", "goodput_bps", r.goodput_bps);
  add("round_trip_ms", "round_trip_ms", r.round_trip_ms);
  return out;
}

}  // namespace tallywire::path
