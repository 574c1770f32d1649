#include "probes/stream/report.hpp"

#include <nlohmann/json.hpp>

namespace tallywire::stream {
namespace {

using nlohmann::json;

const char* const fields[] = {"transport",     "codec",        "width",
                              "height",        "profile",      "frame_rate_hz",
                              "gop_s",         "gop_frames",   "payload_bps",
                              "wire_bps",      "peak_bps",     "packets",
                              "payload_bytes", "lost_packets", "loss_ratio",
                              "reordered_packets", "duplicate_packets", "jitter_ms",
                              "keyframe_bytes_mean", "keyframe_bytes_max", "duration_s", "ssrc"};

template <class T>
void put(json& out, const char* key, const std::optional<T>& value) {
  out[key] = value ? json(*value) : json();
}

}  // namespace

void to_json(json& out, const StreamReport& r) {
  out = json::object();
  put(out, "transport", r.transport);
  put(out, "codec", r.codec);
  put(out, "width", r.width);
  put(out, "height", r.height);
  put(out, "profile", r.profile);
  put(out, "frame_rate_hz", r.frame_rate_hz);
  put(out, "gop_s", r.gop_s);
  put(out, "gop_frames", r.gop_frames);
  put(out, "payload_bps", r.payload_bps);
  put(out, "wire_bps", r.wire_bps);
  out["peak_bps"] = nullptr;
  if (!r.peak_bps.empty()) out["peak_bps"] = json::object();
  for (const auto& [window, bps] : r.peak_bps) out["peak_bps"][std::to_string(window)] = bps;
  put(out, "packets", r.packets);
  put(out, "payload_bytes", r.payload_bytes);
  put(out, "lost_packets", r.lost_packets);
  put(out, "loss_ratio", r.loss_ratio);
  put(out, "reordered_packets", r.reordered_packets);
  put(out, "duplicate_packets", r.duplicate_packets);
  put(out, "jitter_ms", r.jitter_ms);
  put(out, "keyframe_bytes_mean", r.keyframe_bytes_mean);
  put(out, "keyframe_bytes_max", r.keyframe_bytes_max);
  put(out, "duration_s", r.duration_s);
  put(out, "ssrc", r.ssrc);
  out["source"] = r.source;
  out["destination"] = r.destination;
  out["findings"] = r.findings;
  out["unread"] = r.unread;
  out["method"] = r.method;
}

std::vector<Reading> to_readings(const StreamReport& r, const std::string& subject) {
  std::vector<Reading> out;
  const auto over = std::chrono::nanoseconds(static_cast<std::int64_t>(r.duration_s.value_or(0) * 1e9));
  const auto reason = [&](const char* field) {
    const auto at = r.unread.find(field);
    return at == r.unread.end() ? std::string("was not received") : at->second;
  };
  const auto number = [&](const char* quantity, const char* field, std::optional<double> value,
                          double uncertainty = 0) {
    out.push_back(value ? read_number(subject, quantity, *value, r.method, r.when, over, uncertainty)
                        : unread(subject, quantity, reason(field), r.when));
  };
  const auto as_double = [](const auto& value) {
    return value ? std::optional(static_cast<double>(*value)) : std::nullopt;
  };
  out.push_back(r.codec ? read_word(subject, "codec", *r.codec, "session description", r.when)
                        : unread(subject, "codec", reason("codec"), r.when));
  number("width_px", "width", as_double(r.width));
  number("height_px", "height", as_double(r.height));
  number("frame_rate_hz", "frame_rate_hz", r.frame_rate_hz);
  number("gop_frames", "gop_frames", r.gop_frames);
  number("payload_bps", "payload_bps", r.payload_bps, r.payload_uncertainty_bps);
  number("wire_bps", "wire_bps", r.wire_bps);
  const auto peak = r.peak_bps.find(100);
  number("peak_bps_100ms", "peak_bps",
         peak == r.peak_bps.end() ? std::nullopt : std::optional(peak->second));
  number("loss_ratio", "loss_ratio", r.loss_ratio);
  number("lost_packets", "lost_packets", as_double(r.lost_packets));
  number("jitter_ms", "jitter_ms", r.jitter_ms);
  return out;
}

StreamReport unread_report(const std::string& reason, SystemTime when) {
  StreamReport out;
  out.when = when;
  for (const char* field : fields) out.unread[field] = reason;
  return out;
}

}  // namespace tallywire::stream
