// What the meter's counts amount to.
#include "probes/stream/meter.hpp"

#include <algorithm>
#include <charconv>

namespace tallywire::stream {
namespace {

const Reason too_few_frames = "fewer than two frames were received";
const Reason too_few_points = "too short: it needs frames in 8 different quarters of a second of one stretch";

const Reason jpeg_too_large =
    "the picture is larger than RTP/JPEG can say (RFC 2435 §3.1.5), and no header extension tells its size";

std::string plain(double value) {
  char text[32];
  const auto end = std::to_chars(text, text + sizeof text, value, std::chars_format::fixed, 1).ptr;
  return {text, end};
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
  if (settings_.encoding_name.empty())
    out.unread["codec"] = "the session did not name it";
  else
    out.codec = name_of_codec(settings_);
  const auto& picture = pictures_.picture();
  if (!picture) {
    const Reason reason = !is_video(codec_)               ? Reason("this payload is no video that the meter reads")
                          : codec_ != Codec::jpeg         ? Reason("no sequence parameter set was seen")
                          : pictures_.jpeg_without_size() ? jpeg_too_large
                                                          : Reason("no JPEG header was seen");
    for (const char* field : {"width", "height", "profile", "level", "vui_frame_rate_hz"}) out.unread[field] = reason;
    return;
  }
  out.width = picture->width;
  out.height = picture->height;
  out.profile = picture->profile;
  if (picture->level.empty())
    out.unread["level"] = "JPEG has no levels";
  else
    out.level = picture->level;
  out.vui_frame_rate_hz = picture->frame_rate_hz;
  if (!picture->frame_rate_hz) out.unread["vui_frame_rate_hz"] = "the parameter sets carry no timing";
}

void Meter::report_frame_rates(StreamReport& out, const Clock& clock) const {
  if (settings_.kind != "video") {
    for (const char* field : {"frame_rate_hz", "arrival_frame_rate_hz"}) out.unread[field] = "this is no video";
    return;
  }
  const auto frames = frames_.frame_sums(), gops = frames_.gop_sums();
  const double clock_hz = clock_hz_;
  if (frames_.reorders() && gops.count > 0 && gops.ticks > 0) {
    // Frames sent out of display order: the newest time stamp is not that of the newest frame, key frames are exact.
    out.frame_rate_hz = static_cast<double>(gops.frames) * clock_hz / static_cast<double>(gops.ticks);
  } else if (frames.count > 0 && frames.ticks > 0) {
    const double rate = static_cast<double>(frames.count) * clock_hz / static_cast<double>(frames.ticks);
    const auto doubtful = static_cast<double>(frames_.doubtful_frames() + (frames_.reorders() ? 2 : 0));
    out.frame_rate_hz = rate;
    out.uncertainty["frame_rate_hz"] = rate * doubtful / static_cast<double>(frames.count);
  } else {
    out.unread["frame_rate_hz"] = too_few_frames;
  }
  if (clock && clock->event_rate_hz > 0) {
    out.arrival_frame_rate_hz = clock->event_rate_hz;
    out.uncertainty["arrival_frame_rate_hz"] = clock->event_rate_half_width_hz;
  } else {
    out.unread["arrival_frame_rate_hz"] = too_few_points;
  }
}

void Meter::report_gops(StreamReport& out) const {
  const auto gops = frames_.gops();
  if (gops.count > 0) {
    const auto count = static_cast<double>(gops.count);
    if (gops.ticks > 0)
      out.gop_s = static_cast<double>(gops.ticks) / clock_hz_ / count;
    else
      out.unread["gop_s"] = "its RTP time stamps do not run forward from key frame to key frame";
    out.gop_frames = static_cast<double>(gops.frames) / count;
    out.gop_frames_min = gops.frames_min;
    out.gop_frames_max = gops.frames_max;
    out.uncertainty["gop_frames"] = static_cast<double>(frames_.doubtful_frames()) / count;
  } else {
    const Reason reason = settings_.kind != "video"      ? Reason("this is no video")
                          : frames_.gop_sums().count > 0 ? Reason("so much was lost between key frames that one may be among it")
                                                         : Reason("fewer than two key frames were received");
    for (const char* field : {"gop_s", "gop_frames", "gop_frames_min", "gop_frames_max"}) out.unread[field] = reason;
  }
  if (frames_.whole_keys() > 0) {
    out.keyframe_bytes_mean =
        static_cast<double>(frames_.key_octets()) / static_cast<double>(frames_.whole_keys());
    out.keyframe_bytes_max = frames_.key_octets_max();
  } else {
    for (const char* field : {"keyframe_bytes_mean", "keyframe_bytes_max"})
      out.unread[field] = "no whole key frame was received";
  }
}

double Meter::overhead_bps() const {
  const double seconds = frames_.metered_s();
  if (settings_.wrapping.transport != Wrapping::Transport::tcp || seconds <= 0) return 0;
  return wire_octets(static_cast<std::size_t>(tcp_overhead_), settings_.wrapping) * 8 / seconds;
}

// The span of RTP time as our clock has it: the same, unless the unit's stamps contradict the arrivals.
double Meter::seconds_of(std::int64_t ticks, const Clock& clock) const {
  const double told_s = static_cast<double>(ticks) / clock_hz_;
  return clock && contradicts(*clock) ? told_s / (1 + clock->ppm / 1e6) : told_s;
}

void Meter::report_windows(StreamReport& out) const {
  constexpr std::size_t few_classes = 8;
  out.peak_bps.reserve(3);
  for (const int window : {10, 100, 1000}) out.peak_bps[window] = windows_.peak_bps(window);
  out.windows.resize(RateWindows::windows_ms.size());
  for (std::size_t w = 0; w < out.windows.size(); ++w) {
    out.windows[w].window_ms = RateWindows::windows_ms[w];
    out.windows[w].most_octets = windows_.peak_bps(RateWindows::windows_ms[w]) * RateWindows::windows_ms[w] / 8000;
    auto& counts = out.windows[w].counts;
    const auto& histogram = windows_.histogram(w);
    counts.reserve(few_classes);
    histogram.each_used([&](double edge, std::uint32_t count) { counts.emplace_back(edge, count); });
  }
}

void Meter::report_rates(StreamReport& out, const Clock& clock) const {
  const double metered_s = frames_.metered_s();
  const auto gops = frames_.gop_sums(), frames = frames_.frame_sums();
  const bool whole_gops = gops.count > 0 && gops.ticks > 0;
  const bool whole_frames = codec_ != Codec::metadata && frames.count > 0 && frames.ticks > 0;
  const auto tell_method = [&](const std::string& covered) {
    out.method.reserve(48);
    out.method.append("RTP over ").append(*out.transport).append(", ").append(covered).append(" in ").append(plain(metered_s)).append(" s");
  };
  // By the source's own clock: free of where the cut falls and of jitter.
  if (whole_gops || whole_frames) {
    const Between& covered = whole_gops ? gops : frames;
    const double seconds = seconds_of(covered.ticks, clock);
    out.payload_bps = static_cast<double>(covered.payload_octets) * 8 / seconds;
    out.wire_bps = covered.wire_octets * 8 / seconds + overhead_bps();
    out.window_s = seconds;
    tell_method(whole_gops ? std::to_string(gops.count) + " whole GOPs" : settings_.kind == "video" ? "no two key frames" : "packets");
  } else if (metered_s > 0) {
    out.payload_bps = static_cast<double>(frames_.payload_octets()) * 8 / metered_s;
    out.wire_bps = frames_.wire_octets() * 8 / metered_s + overhead_bps();
    out.window_s = metered_s;
    tell_method("packets");
  } else {
    for (const char* field : {"payload_bps", "wire_bps", "window"}) out.unread[field] = "a single packet was received";
    out.method = "RTP over " + *out.transport + ", a single packet";
    return;
  }
  *out.wire_bps *= static_cast<double>(wire_scale_);
  out.window_gops = whole_gops ? gops.count : 0;
  const double half_bps = doubtful_octets(whole_gops) * 8 / *out.window_s;
  const auto payload = static_cast<double>(std::max<std::int64_t>(1, frames_.payload_octets()));
  out.uncertainty["payload_bps"] = half_bps;
  out.uncertainty["wire_bps"] = half_bps * static_cast<double>(wire_scale_) * frames_.wire_octets() / payload;
}

// Payload that the rate may lack or have too much of: what was lost, as far as packets are alike; and one key frame more
// or less, which is up to 20 times the size of the others where none was seen (common practice).
double Meter::doubtful_octets(bool whole_gops) const {
  const auto payload = static_cast<double>(frames_.payload_octets());
  const auto received = static_cast<double>(std::max<std::int64_t>(1, sequence_.received()));
  const double lost = static_cast<double>(sequence_.lost()) * payload / received;
  if (whole_gops || settings_.kind != "video") return lost;
  const double mean_frame = payload / static_cast<double>(std::max<std::int64_t>(1, frames_.frames()));
  return lost + (frames_.whole_keys() > 0 ? static_cast<double>(frames_.key_octets_max()) : 20 * mean_frame);
}

void Meter::report_packets(StreamReport& out) const {
  out.packets = static_cast<std::int64_t>(packets_);
  out.payload_bytes = frames_.payload_octets();
  out.lost_packets = sequence_.lost();
  out.loss_ratio = static_cast<double>(sequence_.lost()) / static_cast<double>(sequence_.expected());
  out.reordered_packets = sequence_.late();
  out.duplicate_packets = sequence_.duplicates();
  out.jitter_ms = jitter_ms();
  out.duration_s = static_cast<double>(last_ns_ - first_ns_) / 1e9;
  out.ssrc = ssrc_ ? ssrc_ : past_ssrc_;
  out.gaps = gaps_;
}

double Meter::jitter_ms() const {
  const bool any = stretch_packets_ > 1;  // a stretch that has just begun has none of its own yet
  return (any ? jitter_.value() : past_jitter_) * 1000 / clock_hz_;
}

void Meter::report_clocks(StreamReport& out, const Clock& clock) const {
  if (codec_ == Codec::metadata) {
    out.unread["rtp_clock_ppm"] = "time stamps of metadata have no meaning (ONVIF Streaming Specification)";
  } else if (clock) {
    out.rtp_clock_ppm = clock->ppm;
    out.uncertainty["rtp_clock_ppm"] = clock->ppm_half_width;
  } else {
    out.unread["rtp_clock_ppm"] = too_few_points;
  }
  if (sender_.count() == 0) {
    for (const char* field : {"sender_reports", "sender_report_clock_ppm"})
      out.unread[field] = "the unit sent no sender report";
    return;
  }
  out.sender_reports = sender_.summary();
  if (!out.sender_reports->clock_offset_ms) out.unread["sender_reports.clock_offset_ms"] = Reason::constant(sender_.offset_unread());
  if (!out.sender_reports->sent_packets)
    for (const char* field : {"sender_reports.sent_packets", "sender_reports.received_packets"})
      out.unread[field] = "fewer than two sender reports came in one stretch";
  const auto slope = sender_.clock();
  if (slope) {
    out.sender_report_clock_ppm = slope->ppm;
    out.uncertainty["sender_report_clock_ppm"] = slope->half_width;
  } else {
    out.unread["sender_report_clock_ppm"] = "it needs two sender reports with a time, 4 s apart";
  }
}

StreamReport Meter::report() const {
  if (packets_ == 0) {
    auto none = unread_report(malformed_ > 0 ? Reason("what came was no RTP") : Reason("no packet came"),
                              SystemTime(std::chrono::nanoseconds(last_ns_)));
    none.transport = name_of(settings_.wrapping.transport);
    none.unread.erase("transport");
    return none;
  }
  StreamReport out;
  constexpr std::size_t most_unread_usually = 8, most_uncertain_usually = 8;
  out.unread.reserve(most_unread_usually);
  out.uncertainty.reserve(most_uncertain_usually);
  out.when = SystemTime(std::chrono::nanoseconds(last_ns_));
  out.transport = name_of(settings_.wrapping.transport);
  report_picture(out);
  const auto clock = frames_.clock();
  report_frame_rates(out, clock);
  report_gops(out);
  report_windows(out);
  report_rates(out, clock);
  report_packets(out);
  report_clocks(out, clock);
  out.unread["session"] = "no RTSP session belongs to it";
  find_what_broke(out);
  find_what_is_odd(out);
  find_contradictions(out, clock);
  return out;
}

}  // namespace tallywire::stream
