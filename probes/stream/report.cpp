#include "probes/stream/report.hpp"

#include "probes/stream/rate_windows.hpp"
#include "probes/window_counts.hpp"

#include <algorithm>
#include <cmath>
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

// Each window as the most that its class can hold, brought to the wire by the stream's own ratio: it is too high for
// windows of large packets, which make the peaks, and too low by less than the class is wide for the others.
std::vector<WindowCount> windows_on_the_wire(const WindowCounts& windows, double wire_per_payload) {
  std::vector<WindowCount> out;
  const auto add = [&](double octets, std::uint64_t count) {
    const auto on_wire = static_cast<std::uint64_t>(std::ceil(octets * wire_per_payload));
    if (!out.empty() && out.back().octets == on_wire)
      out.back().windows += count;
    else if (count > 0)
      out.push_back({on_wire, count});
  };
  for (const auto& [edge, count] : windows.counts) {
    const auto index = RateHistogram::class_of(static_cast<std::uint64_t>(edge));
    const auto above = index == 0 ? 0 : index + 1 == RateHistogram::classes ? windows.most_octets : RateHistogram::edge_of(index + 1);
    // The peak was there at least once, in a window that begins between two of those counted.
    add(std::min(above, windows.most_octets), count - (&edge == &windows.counts.back().first ? 1 : 0));
  }
  add(windows.most_octets, 1);
  return out;
}


Reading windows_reading(const StreamReport& r, const std::string& subject) {
  const auto windows = std::find_if(r.windows.begin(), r.windows.end(), [](const auto& w) { return w.window_ms == wire_window_ms; });
  if (windows == r.windows.end() || windows->counts.empty()) {
    const auto why = r.unread.find("windows");
    return unread(subject, wire_windows_quantity, why == r.unread.end() ? "it was received for less than 100 ms" : std::string(why->second), r.when);
  }
  if (!r.wire_bps || !r.payload_bps || *r.payload_bps <= 0) return unread(subject, wire_windows_quantity, "no rate was read", r.when);
  return read_word(subject, wire_windows_quantity, encode_windows(windows_on_the_wire(*windows, *r.wire_bps / *r.payload_bps)),
                   "windows of 100 ms, begun every 10 ms; octets on the wire, each as the most that its class of the histogram holds", r.when);
}

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
  out.push_back(windows_reading(r, subject));
  out.back().over = over;
  number("keyframe_bytes_mean", "keyframe_bytes_mean", r.keyframe_bytes_mean);
  number("keyframe_bytes_max", "keyframe_bytes_max", as_double(r.keyframe_bytes_max));
  number("loss_ratio", "loss_ratio", r.loss_ratio);
  number("lost_packets", "lost_packets", as_double(r.lost_packets));
  number("jitter_ms", "jitter_ms", r.jitter_ms);
  if (r.transport) out.push_back(read_word(subject, "transport", *r.transport, r.method, r.when));
  if (!r.session) return out;
  out.push_back(read_word(subject, "login", r.session->login_asked ? "asked" : "not asked", "RTSP", r.when));
  out.push_back(read_number(subject, "dropped_here_packets", static_cast<double>(r.session->dropped_here_packets), "this machine's sockets", r.when, over));
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
