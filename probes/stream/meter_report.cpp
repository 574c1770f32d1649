// What the meter's counts amount to.
#include "probes/stream/meter.hpp"

#include <cstdio>

namespace tallywire::stream {
namespace {

const char* const too_few_frames = "fewer than two frames were received";

std::string plain(double value) {
  char text[32];
  std::snprintf(text, sizeof text, "%.1f", value);
  return text;
}

const char* name_of(Wrapping::Transport transport) {
  switch (transport) {
    case Wrapping::Transport::tcp: return "tcp";
    case Wrapping::Transport::udp: return "udp";
    case Wrapping::Transport::multicast: return "multicast";
  }
  return "udp";
}

}  // namespace

void Meter::report_picture(StreamReport& out) const {
  const bool video = settings_.codec == Codec::h264 || settings_.codec == Codec::h265 ||
                     settings_.codec == Codec::jpeg;
  if (settings_.encoding_name.empty()) {
    out.unread["codec"] = "the session did not name it";
  } else {
    out.codec = settings_.codec == Codec::h264   ? "H264"
                : settings_.codec == Codec::h265 ? "H265"
                : settings_.codec == Codec::jpeg ? "JPEG"
                                                 : settings_.encoding_name;
  }
  if (picture_) {
    out.width = picture_->width;
    out.height = picture_->height;
    out.profile = picture_->profile;
    return;
  }
  const char* reason = !video                             ? "this payload is no video that the meter reads"
                       : settings_.codec == Codec::jpeg   ? "the picture is larger than RTP/JPEG can say"
                                                          : "no sequence parameter set was seen";
  for (const char* field : {"width", "height", "profile"}) out.unread[field] = reason;
}

void Meter::report_frames(StreamReport& out) const {
  const double clock = settings_.clock_hz;
  if (frames_ >= 2 && rtp_time_ > first_rtp_time_) {
    out.frame_rate_hz =
        static_cast<double>(frames_ - 1) * clock / static_cast<double>(rtp_time_ - first_rtp_time_);
  } else {
    out.unread["frame_rate_hz"] = too_few_frames;
  }
  if (keys_ >= 2) {
    out.gop_s = static_cast<double>(last_key_.rtp_time - first_key_->rtp_time) / clock /
                static_cast<double>(keys_ - 1);
    out.gop_frames = static_cast<double>(last_key_.frame - first_key_->frame) / static_cast<double>(keys_ - 1);
  } else {
    for (const char* field : {"gop_s", "gop_frames"})
      out.unread[field] = "fewer than two key frames were received";
  }
  if (finished_keys_ > 0) {
    out.keyframe_bytes_mean = static_cast<double>(key_octets_) / static_cast<double>(finished_keys_);
    out.keyframe_bytes_max = static_cast<std::int64_t>(key_octets_max_);
  } else {
    for (const char* field : {"keyframe_bytes_mean", "keyframe_bytes_max"})
      out.unread[field] = "no whole key frame was received";
  }
}

void Meter::report_rates(StreamReport& out) const {
  const double seconds = std::chrono::duration<double>(last_ - first_).count();
  const double overhead = wire_octets(static_cast<std::size_t>(tcp_overhead_), settings_.wrapping);
  const double overhead_bps =
      settings_.wrapping.transport == Wrapping::Transport::tcp && seconds > 0 ? overhead * 8 / seconds : 0;
  for (const int window : {10, 100, 1000}) out.peak_bps[window] = windows_.peak_bps(window);
  if (keys_ >= 2 && last_key_.rtp_time > first_key_->rtp_time) {
    // Whole GOPs by the source's own clock: free of where the cut falls and of jitter.
    const double whole_s =
        static_cast<double>(last_key_.rtp_time - first_key_->rtp_time) / settings_.clock_hz;
    out.payload_bps =
        static_cast<double>(last_key_.payload_octets - first_key_->payload_octets) * 8 / whole_s;
    out.wire_bps = (last_key_.wire_octets - first_key_->wire_octets) * 8 / whole_s + overhead_bps;
    out.method = "RTP over " + *out.transport + ", " + std::to_string(keys_ - 1) + " whole GOPs in " +
                 plain(seconds) + " s";
    return;
  }
  if (seconds <= 0) {
    for (const char* field : {"payload_bps", "wire_bps"}) out.unread[field] = "a single packet was received";
    return;
  }
  out.payload_bps = static_cast<double>(payload_octets_) * 8 / seconds;
  out.wire_bps = wire_octets_ * 8 / seconds + overhead_bps;
  // One key frame more or less falls into the window.
  out.payload_uncertainty_bps = static_cast<double>(std::max(key_octets_max_, frame_octets_)) * 8 / seconds;
  out.method = "RTP over " + *out.transport + ", no two key frames in " + plain(seconds) + " s";
}

StreamReport Meter::report() const {
  if (packets_ == 0) {
    auto none = unread_report(malformed_ > 0 ? "what came was no RTP" : "no packet came", last_);
    none.transport = name_of(settings_.wrapping.transport);
    none.unread.erase("transport");
    return none;
  }
  StreamReport out;
  out.when = last_;
  out.transport = name_of(settings_.wrapping.transport);
  report_picture(out);
  report_frames(out);
  report_rates(out);
  out.packets = static_cast<std::int64_t>(packets_);
  out.payload_bytes = static_cast<std::int64_t>(payload_octets_);
  out.lost_packets = sequence_.lost();
  out.loss_ratio = static_cast<double>(sequence_.lost()) / static_cast<double>(sequence_.expected());
  out.reordered_packets = sequence_.late();
  out.duplicate_packets = sequence_.duplicates();
  out.jitter_ms = jitter_.value() * 1000 / settings_.clock_hz;
  out.duration_s = std::chrono::duration<double>(last_ - first_).count();
  out.ssrc = ssrc_;
  if (source_changes_ > 0)
    out.findings.push_back("the source changed its SSRC " + std::to_string(source_changes_) +
                           " times: the unit's encoder started again");
  if (sequence_.restarts() > 0)
    out.findings.push_back("the packet numbers jumped " + std::to_string(sequence_.restarts()) +
                           " times: the unit's encoder started again");
  if (picture_changed_) out.findings.push_back("the picture size changed while it was metered");
  if (malformed_ > 0)
    out.findings.push_back(std::to_string(malformed_) + " packets were no valid RTP or RTCP");
  if (bad_payloads_ > 0)
    out.findings.push_back(std::to_string(bad_payloads_) + " payloads were not as RFC 6184, 7798 or 2435 lay down");
  return out;
}

}  // namespace tallywire::stream
