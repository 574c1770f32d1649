// A track by itself: rate, loss, and what it has of frames.
#include "probes/stream/meter.hpp"

namespace tallywire::stream {

TrackReport Meter::track_report() const {
  TrackReport out;
  out.kind = settings_.kind;
  out.codec = name_of_codec(settings_);
  if (packets_ == 0) {
    for (const char* field : {"payload_bps", "wire_bps", "loss_ratio", "jitter_ms", "ssrc", "frames", "frame_rate_hz"})
      out.unread[field] = malformed_ > 0 ? Reason("what came was no RTP") : Reason("no packet came");
    return out;
  }
  const StreamReport whole = report();
  out.packets = *whole.packets;
  out.payload_bytes = *whole.payload_bytes;
  out.payload_bps = whole.payload_bps;
  out.wire_bps = whole.wire_bps;
  out.lost_packets = *whole.lost_packets;
  out.loss_ratio = whole.loss_ratio;
  out.reordered = *whole.reordered_packets;
  out.duplicates = *whole.duplicate_packets;
  out.jitter_ms = whole.jitter_ms;
  out.ssrc = whole.ssrc;
  out.duration_s = *whole.duration_s;
  for (const char* field : {"payload_bps", "wire_bps"})
    if (whole.unread.contains(field)) out.unread[field] = whole.unread.at(field);
  count_track_frames(out, whole);
  return out;
}

void Meter::count_track_frames(TrackReport& out, const StreamReport& whole) const {
  const auto sums = frames_.frame_sums();
  if (out.kind == "video") {
    out.frames = frames_.frames();
    out.frame_rate_hz = whole.frame_rate_hz;
    if (!out.frame_rate_hz) out.unread["frame_rate_hz"] = whole.unread.at("frame_rate_hz");
  } else if (codec_ == Codec::aac || codec_ == Codec::metadata) {
    out.frames = frames_.units_total();
    const double seconds =
        codec_ == Codec::aac ? static_cast<double>(sums.ticks) / clock_hz_ : frames_.metered_s();
    const auto units = static_cast<double>(codec_ == Codec::aac ? sums.units : frames_.units_total());
    if (seconds > 0)
      out.frame_rate_hz = units / seconds;
    else
      out.unread["frame_rate_hz"] = "all that came has one time stamp";
  } else {
    for (const char* field : {"frames", "frame_rate_hz"}) out.unread[field] = "this codec has no frames to count";
  }
}

}  // namespace tallywire::stream
