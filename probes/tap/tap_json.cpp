// A tap's report as JSON; laid down in docs/commands.md ("tap").
#include "probes/tap/tap_report.hpp"

#include "probes/json_text.hpp"

#include <nlohmann/json.hpp>

namespace tallywire::tap {
namespace {

constexpr const char* no_session = "no RTSP exchange on this wire set it up";

}  // namespace

void write_fields(JsonText& out, const TappedStream& s) {
  stream::write_fields(out, s.report);
  out.field("payload_type", s.payload_type);
  out.field("recognised_by", s.recognised_by);
  out.field("codec_told", s.codec_told);
  out.field("clock_told", s.clock_told);
  out.field("url", s.url);
  out.field("unit", s.unit);
  out.field("missing_packets", s.missing_packets);
  out.field("not_captured_packets", s.not_captured_packets);
  out.key("receiver_says");
  if (!s.receiver) return out.null();
  out.begin_object();
  out.field("lost_packets", s.receiver->lost_packets);
  out.field("reports", s.receiver->reports);
  out.field("jitter_ms", s.receiver_jitter_ms);
  out.end_object();
}

void write_unread(JsonText& out, const TappedStream& s) {
  out.fields(s.report.unread);
  if (!s.url) out.field("url", no_session);
  if (!s.unit) out.field("unit", s.url ? "the RTSP server does not name itself" : no_session);
  if (!s.receiver) out.field("receiver_says", "the receiver sent no RTCP report of it");
}

void to_json(nlohmann::json& out, const TappedStream& s) {
  JsonText text;
  text.begin_object();
  write_fields(text, s);
  text.key("unread");
  text.begin_object();
  write_unread(text, s);
  text.end_object();
  text.end_object();
  out = nlohmann::json::parse(text.text());
}

nlohmann::json head_json(const TapReport& r) {
  const auto& c = r.capture;
  const auto& t = c.totals;
  auto out = nlohmann::json::object();
  auto& capture = out["capture"];
  capture = {{"source", c.source}, {"format", c.format}, {"frames", t.frames}, {"bytes", t.octets}, {"cut_frames", t.cut_frames},
             {"malformed_frames", t.malformed_frames}, {"unreadable_frames", t.unreadable_frames}, {"other_frames", t.other_frames},
             {"udp_datagrams", t.udp_datagrams}, {"media_datagrams", t.media_datagrams}, {"incomplete_datagrams", t.incomplete_datagrams},
             {"tcp_segments", t.tcp_segments}, {"rtsp_connections", t.rtsp_connections}, {"encrypted_connections", t.encrypted_connections},
             {"tcp_missing_bytes", t.tcp.missing_octets}, {"tcp_holes", t.tcp.holes}, {"tcp_retransmitted_segments", t.tcp.retransmitted_segments},
             {"untimed_frames", t.untimed_frames}, {"encapsulated_frames", t.encapsulated_frames}, {"clock_steps", t.clock_steps},
             {"streams_without_time", c.not_media}, {"threads", c.threads}, {"stopped", c.stopped}};
  capture["away"] = c.away.empty() ? nlohmann::json(nullptr) : nlohmann::json(c.away);
  const double duration_s = t.first ? std::chrono::duration<double>(*t.last - *t.first).count() : 0;
  capture["begins"] = t.first ? nlohmann::json(to_rfc3339(*t.first)) : nlohmann::json(nullptr);
  capture["ends"] = t.last ? nlohmann::json(to_rfc3339(*t.last)) : nlohmann::json(nullptr);
  capture["duration_s"] = duration_s;
  capture["dropped_by_kernel_packets"] = c.loss_known ? nlohmann::json(c.loss.by_kernel) : nlohmann::json(nullptr);
  capture["dropped_by_interface_packets"] = c.loss_known ? nlohmann::json(c.loss.by_interface) : nlohmann::json(nullptr);
  capture["damage"] = c.damage ? nlohmann::json(*c.damage) : nlohmann::json(nullptr);
  out["findings"] = r.findings;
  out["unread"] = r.unread;
  if (!c.loss_known)
    for (const char* field : {"dropped_by_kernel_packets", "dropped_by_interface_packets"})
      out["unread"][std::string("capture.") + field] = "the file does not tell what its capture lost";
  return out;
}

void to_json(nlohmann::json& out, const TapReport& r) {
  out = head_json(r);
  out["streams"] = r.streams;
}

}  // namespace tallywire::tap
