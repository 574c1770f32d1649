#include "probes/stream/report.hpp"

#include <algorithm>
#include <iterator>

namespace tallywire::stream {
namespace {

// Every field that can be unread, by its JSON name.
const char* const fields[] = {"transport",
                              "codec",
                              "width",
                              "height",
                              "profile",
                              "level",
                              "frame_rate_hz",
                              "arrival_frame_rate_hz",
                              "vui_frame_rate_hz",
                              "gop_s",
                              "gop_frames",
                              "gop_frames_min",
                              "gop_frames_max",
                              "payload_bps",
                              "wire_bps",
                              "peak_bps",
                              "windows",
                              "packets",
                              "payload_bytes",
                              "lost_packets",
                              "loss_ratio",
                              "reordered_packets",
                              "duplicate_packets",
                              "jitter_ms",
                              "keyframe_bytes_mean",
                              "keyframe_bytes_max",
                              "duration_s",
                              "ssrc",
                              "rtp_clock_ppm",
                              "sender_report_clock_ppm",
                              "sender_reports",
                              "window",
                              "session"};

}  // namespace

bool is_whole(const StreamReport& report) {
  if (report.session && report.session->broke_off) return false;
  // The fields of the contract; what else is told may be foreign to a codec, or want a longer look.
  static const char* const promised[] = {"transport", "codec", "width", "height", "profile", "frame_rate_hz", "gop_s", "gop_frames",
                                         "payload_bps", "wire_bps", "peak_bps", "packets", "payload_bytes", "lost_packets",
                                         "loss_ratio", "reordered_packets", "duplicate_packets", "jitter_ms",
                                         "keyframe_bytes_mean", "keyframe_bytes_max", "duration_s", "ssrc"};
  return std::none_of(std::begin(promised), std::end(promised), [&](const char* field) { return report.unread.contains(field); });
}

std::vector<Reading> to_readings(const StreamReport& r, const std::string& subject) {
  std::vector<Reading> out;
  const auto over = std::chrono::nanoseconds(static_cast<std::int64_t>(r.duration_s.value_or(0) * 1e9));
  const auto reason = [&](const char* field) {
    const auto at = r.unread.find(field);
    return at == r.unread.end() ? std::string("was not received") : std::string(at->second);
  };
  const auto number = [&](const char* quantity, const char* field, std::optional<double> value) {
    out.push_back(value ? read_number(subject, quantity, *value, r.method, r.when, over, r.uncertainty_of(field))
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
  number("payload_bps", "payload_bps", r.payload_bps);
  number("wire_bps", "wire_bps", r.wire_bps);
  const auto peak = r.peak_bps.find(100);
  number("peak_bps_100ms", "peak_bps", peak == r.peak_bps.end() ? std::nullopt : std::optional(peak->second));
  number("loss_ratio", "loss_ratio", r.loss_ratio);
  number("lost_packets", "lost_packets", as_double(r.lost_packets));
  number("jitter_ms", "jitter_ms", r.jitter_ms);
  return out;
}

StreamReport unread_report(const Reason& reason, SystemTime when) {
  StreamReport out;
  out.unread.reserve(std::size(fields));
  out.when = when;
  for (const char* field : fields) out.unread[field] = reason;
  return out;
}

}  // namespace tallywire::stream
