// The object of docs/commands.md: its fields and their names, once for text and tree alike.
#include "probes/json_text.hpp"
#include "probes/stream/report.hpp"

#include <nlohmann/json.hpp>

namespace tallywire::stream {
namespace {

void write_picture(JsonText& out, const StreamReport& r) {
  out.field("transport", r.transport);
  out.field("codec", r.codec);
  out.field("width", r.width);
  out.field("height", r.height);
  out.field("profile", r.profile);
  out.field("level", r.level);
  out.field("frame_rate_hz", r.frame_rate_hz);
  out.field("arrival_frame_rate_hz", r.arrival_frame_rate_hz);
  out.field("vui_frame_rate_hz", r.vui_frame_rate_hz);
  out.field("gop_s", r.gop_s);
  out.field("gop_frames", r.gop_frames);
  out.field("gop_frames_min", r.gop_frames_min);
  out.field("gop_frames_max", r.gop_frames_max);
  out.field("keyframe_bytes_mean", r.keyframe_bytes_mean);
  out.field("keyframe_bytes_max", r.keyframe_bytes_max);
}

void write_windows(JsonText& out, const StreamReport& r) {
  out.key("peak_bps");
  if (r.peak_bps.empty()) {
    out.null();
  } else {
    out.begin_object();
    for (const auto& [window, bps] : r.peak_bps) out.field(std::to_string(window), bps);
    out.end_object();
  }
  out.key("windows");
  if (r.windows.empty()) return out.null();
  out.begin_object();
  for (const auto& window : r.windows) {
    out.key(std::to_string(window.window_ms));
    out.begin_array();
    for (const auto& [octets, count] : window.counts) {
      out.begin_array();
      out.value(octets);
      out.value(count);
      out.end_array();
    }
    out.end_array();
  }
  out.end_object();
}

void write_rates(JsonText& out, const StreamReport& r) {
  out.field("payload_bps", r.payload_bps);
  out.field("wire_bps", r.wire_bps);
  write_windows(out, r);
  out.key("window");
  if (!r.window_s) return out.null();
  out.begin_object();
  out.field("gops", r.window_gops.value_or(0));
  out.field("seconds", *r.window_s);
  out.end_object();
}

void write_packets(JsonText& out, const StreamReport& r) {
  out.field("packets", r.packets);
  out.field("payload_bytes", r.payload_bytes);
  out.field("lost_packets", r.lost_packets);
  out.field("loss_ratio", r.loss_ratio);
  out.field("reordered_packets", r.reordered_packets);
  out.field("duplicate_packets", r.duplicate_packets);
  out.field("jitter_ms", r.jitter_ms);
  out.field("duration_s", r.duration_s);
  out.field("ssrc", r.ssrc);
  out.field("rtp_clock_ppm", r.rtp_clock_ppm);
  out.field("sender_report_clock_ppm", r.sender_report_clock_ppm);
  out.key("sender_reports");
  if (!r.sender_reports) return out.null();
  out.begin_object();
  out.field("count", r.sender_reports->count);
  out.field("sent_packets", r.sender_reports->sent_packets);
  out.field("received_packets", r.sender_reports->received_packets);
  out.field("clock_offset_ms", r.sender_reports->clock_offset_ms);
  out.field("clock_offset_uncertainty_ms", r.sender_reports->clock_offset_uncertainty_ms);
  out.end_object();
}

void write_tls(JsonText& out, const SessionSummary& session) {
  out.key("tls");
  if (session.tls_version.empty()) return out.null();
  out.begin_object();
  out.field("version", session.tls_version);
  out.field("cipher", session.tls_cipher);
  if (session.certificate) {
    const auto& certificate = *session.certificate;
    out.key("certificate");
    out.begin_object();
    out.field("sha256", certificate.sha256);
    out.field("subject", certificate.subject);
    out.field("not_before", to_rfc3339(certificate.not_before));
    out.field("not_after", to_rfc3339(certificate.not_after));
    out.field("self_signed", certificate.self_signed);
    out.end_object();
  }
  out.end_object();
}

void write_session(JsonText& out, const StreamReport& r) {
  out.key("session");
  if (!r.session) return out.null();
  const auto& session = *r.session;
  out.begin_object();
  out.field("rtsp_version", session.rtsp_version);
  out.field("server", session.server);
  out.key("left_out");
  out.values(session.left_out);
  out.field("broke_off", session.broke_off);
  out.field("receiver_reports", session.receiver_reports);
  write_tls(out, session);
  out.end_object();
}

void write_track(JsonText& out, const TrackReport& r) {
  out.begin_object();
  out.field("kind", r.kind);
  out.field("codec", r.codec);
  out.field("packets", r.packets);
  out.field("payload_bytes", r.payload_bytes);
  out.field("payload_bps", r.payload_bps);
  out.field("wire_bps", r.wire_bps);
  out.field("lost_packets", r.lost_packets);
  out.field("loss_ratio", r.loss_ratio);
  out.field("reordered_packets", r.reordered);
  out.field("duplicate_packets", r.duplicates);
  out.field("jitter_ms", r.jitter_ms);
  out.field("ssrc", r.ssrc);
  out.field("duration_s", r.duration_s);
  out.field("frames", r.frames);
  out.field("frame_rate_hz", r.frame_rate_hz);
  out.key("unread");
  out.begin_object();
  out.fields(r.unread);
  out.end_object();
  out.end_object();
}

void write_gaps(JsonText& out, const StreamReport& r) {
  out.key("gaps");
  out.begin_array();
  for (const auto& gap : r.gaps) {
    out.begin_object();
    out.field("begin_s", gap.begin_s);
    out.field("duration_s", gap.duration_s);
    out.end_object();
  }
  out.end_array();
}

}  // namespace

void write_fields(JsonText& out, const StreamReport& r) {
  write_picture(out, r);
  write_rates(out, r);
  write_packets(out, r);
  out.key("uncertainty");
  out.begin_object();
  out.fields(r.uncertainty);
  out.end_object();
  write_gaps(out, r);
  out.key("tracks");
  out.begin_array();
  for (const auto& track : r.tracks) write_track(out, track);
  out.end_array();
  write_session(out, r);
  out.field("source", r.source);
  out.field("destination", r.destination);
  out.key("findings");
  out.values(r.findings);
  out.field("method", r.method);
}

void to_json(nlohmann::json& out, const StreamReport& r) {
  JsonText text;
  text.begin_object();
  write_fields(text, r);
  text.key("unread");
  text.begin_object();
  text.fields(r.unread);
  text.end_object();
  text.end_object();
  out = nlohmann::json::parse(text.text());
}

void to_json(nlohmann::json& out, const TrackReport& r) {
  JsonText text;
  write_track(text, r);
  out = nlohmann::json::parse(text.text());
}

}  // namespace tallywire::stream
