#include "probes/stream/report.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <iterator>

namespace tallywire::stream {
namespace {

using nlohmann::json;

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

template <class T>
void put(json& out, const char* key, const std::optional<T>& value) {
  out[key] = value ? json(*value) : json();
}

void put_picture(json& out, const StreamReport& r) {
  put(out, "transport", r.transport);
  put(out, "codec", r.codec);
  put(out, "width", r.width);
  put(out, "height", r.height);
  put(out, "profile", r.profile);
  put(out, "level", r.level);
  put(out, "frame_rate_hz", r.frame_rate_hz);
  put(out, "arrival_frame_rate_hz", r.arrival_frame_rate_hz);
  put(out, "vui_frame_rate_hz", r.vui_frame_rate_hz);
  put(out, "gop_s", r.gop_s);
  put(out, "gop_frames", r.gop_frames);
  put(out, "gop_frames_min", r.gop_frames_min);
  put(out, "gop_frames_max", r.gop_frames_max);
  put(out, "keyframe_bytes_mean", r.keyframe_bytes_mean);
  put(out, "keyframe_bytes_max", r.keyframe_bytes_max);
}

void put_rates(json& out, const StreamReport& r) {
  put(out, "payload_bps", r.payload_bps);
  put(out, "wire_bps", r.wire_bps);
  out["peak_bps"] = nullptr;
  if (!r.peak_bps.empty()) out["peak_bps"] = json::object();
  for (const auto& [window, bps] : r.peak_bps) out["peak_bps"][std::to_string(window)] = bps;
  out["windows"] = nullptr;
  if (!r.windows.empty()) out["windows"] = json::object();
  for (const auto& window : r.windows) out["windows"][std::to_string(window.window_ms)] = window.counts;
  out["window"] = nullptr;
  if (r.window_s) out["window"] = {{"gops", r.window_gops.value_or(0)}, {"seconds", *r.window_s}};
}

void put_packets(json& out, const StreamReport& r) {
  put(out, "packets", r.packets);
  put(out, "payload_bytes", r.payload_bytes);
  put(out, "lost_packets", r.lost_packets);
  put(out, "loss_ratio", r.loss_ratio);
  put(out, "reordered_packets", r.reordered_packets);
  put(out, "duplicate_packets", r.duplicate_packets);
  put(out, "jitter_ms", r.jitter_ms);
  put(out, "duration_s", r.duration_s);
  put(out, "ssrc", r.ssrc);
  put(out, "rtp_clock_ppm", r.rtp_clock_ppm);
  put(out, "sender_report_clock_ppm", r.sender_report_clock_ppm);
  out["sender_reports"] = nullptr;
  if (!r.sender_reports) return;
  json& reports = out["sender_reports"] = {{"count", r.sender_reports->count}};
  put(reports, "sent_packets", r.sender_reports->sent_packets);
  put(reports, "received_packets", r.sender_reports->received_packets);
  put(reports, "clock_offset_ms", r.sender_reports->clock_offset_ms);
  put(reports, "clock_offset_uncertainty_ms", r.sender_reports->clock_offset_uncertainty_ms);
}

void put_session(json& out, const StreamReport& r) {
  out["session"] = nullptr;
  if (!r.session) return;
  const auto& session = *r.session;
  auto& at = out["session"];
  at = {{"rtsp_version", session.rtsp_version},
        {"server", session.server},
        {"left_out", session.left_out},
        {"broke_off", session.broke_off ? json(*session.broke_off) : json()},
        {"receiver_reports", session.receiver_reports},
        {"tls", nullptr}};
  if (session.tls_version.empty()) return;
  at["tls"] = {{"version", session.tls_version}, {"cipher", session.tls_cipher}};
  if (!session.certificate) return;
  const auto& certificate = *session.certificate;
  at["tls"]["certificate"] = {{"sha256", certificate.sha256},
                              {"subject", certificate.subject},
                              {"not_before", to_rfc3339(certificate.not_before)},
                              {"not_after", to_rfc3339(certificate.not_after)},
                              {"self_signed", certificate.self_signed}};
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

void to_json(json& out, const StreamReport& r) {
  out = json::object();
  put_picture(out, r);
  put_rates(out, r);
  put_packets(out, r);
  out["uncertainty"] = r.uncertainty;
  out["gaps"] = json::array();
  for (const auto& gap : r.gaps) out["gaps"].push_back({{"begin_s", gap.begin_s}, {"duration_s", gap.duration_s}});
  out["tracks"] = r.tracks;
  put_session(out, r);
  out["source"] = r.source;
  out["destination"] = r.destination;
  out["findings"] = r.findings;
  out["unread"] = r.unread;
  out["method"] = r.method;
}

void to_json(json& out, const TrackReport& r) {
  out = {{"kind", r.kind},
         {"codec", r.codec},
         {"packets", r.packets},
         {"payload_bytes", r.payload_bytes},
         {"lost_packets", r.lost_packets},
         {"reordered_packets", r.reordered},
         {"duplicate_packets", r.duplicates},
         {"duration_s", r.duration_s},
         {"unread", r.unread}};
  put(out, "payload_bps", r.payload_bps);
  put(out, "wire_bps", r.wire_bps);
  put(out, "loss_ratio", r.loss_ratio);
  put(out, "jitter_ms", r.jitter_ms);
  put(out, "ssrc", r.ssrc);
  put(out, "frames", r.frames);
  put(out, "frame_rate_hz", r.frame_rate_hz);
}

std::vector<Reading> to_readings(const StreamReport& r, const std::string& subject) {
  std::vector<Reading> out;
  const auto over = std::chrono::nanoseconds(static_cast<std::int64_t>(r.duration_s.value_or(0) * 1e9));
  const auto reason = [&](const char* field) {
    const auto at = r.unread.find(field);
    return at == r.unread.end() ? std::string("was not received") : at->second;
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

StreamReport unread_report(const std::string& reason, SystemTime when) {
  StreamReport out;
  out.when = when;
  for (const char* field : fields) out.unread[field] = reason;
  return out;
}

}  // namespace tallywire::stream
