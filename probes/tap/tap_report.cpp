#include "probes/tap/tap_report.hpp"

#include <algorithm>
#include <numeric>

namespace tallywire::tap {
namespace {

const stream::Reason codec_unknown = "nobody on this wire said what it carries, and its payload does not show it";
const stream::Reason clock_unknown = "its RTP clock is not known: nobody on this wire told it, and the time stamps fit none of the usual";
const stream::Reason not_ours = "the session is somebody else's; its URL and unit stand beside";

std::string counted(std::uint64_t count, const char* one, const char* many) {
  return std::to_string(count) + " " + (count == 1 ? one : many);
}

void mark_unread(stream::StreamReport& report, const char* field, const stream::Reason& reason) { report.unread[field] = reason; }

// What rests on a codec or a clock that nobody told.
void take_back_unknown(const Source& source, stream::StreamReport& report) {
  if (!source.codec_known()) {
    report.codec = report.profile = report.level = std::nullopt;
    report.width = report.height = std::nullopt;
    report.frame_rate_hz = report.arrival_frame_rate_hz = report.vui_frame_rate_hz = report.gop_s = report.gop_frames = report.keyframe_bytes_mean = std::nullopt;
    report.gop_frames_min = report.gop_frames_max = report.keyframe_bytes_max = std::nullopt;
    for (const char* field : {"codec", "width", "height", "profile", "level", "frame_rate_hz", "arrival_frame_rate_hz", "vui_frame_rate_hz", "gop_s",
                              "gop_frames", "gop_frames_min", "gop_frames_max", "keyframe_bytes_mean", "keyframe_bytes_max"})
      mark_unread(report, field, codec_unknown);
    for (const char* field : {"frame_rate_hz", "arrival_frame_rate_hz", "gop_frames"}) report.uncertainty.erase(field);
    // What was supposed of its payload for a while.
    const auto of_payload = [](const std::string& f) {
      for (const char* word : {"payload", "picture", "parameter set", "RFC"})
        if (f.find(word) != std::string::npos) return true;
      return false;
    };
    std::erase_if(report.findings, of_payload);
  }
  if (source.clock_known()) return;
  report.jitter_ms.reset();
  report.rtp_clock_ppm.reset();
  report.sender_report_clock_ppm.reset();
  for (const char* field : {"jitter_ms", "rtp_clock_ppm", "sender_report_clock_ppm"}) mark_unread(report, field, clock_unknown);
  std::erase_if(report.findings, [](const std::string& f) { return f.find("time stamps") != std::string::npos; });
}

// Where the capture itself has lost frames, nobody can tell whose a missing packet is.
void take_back_loss(stream::StreamReport& report, const CaptureLoss& loss) {
  const auto own = loss.by_kernel + loss.by_interface;
  if (own == 0 || report.lost_packets.value_or(0) == 0 || report.transport == "tcp") return;
  const stream::Reason reason = std::to_string(*report.lost_packets) + " packets are missing, but the capture itself lost " +
                             counted(own, "frame", "frames") + ": which of them the network lost cannot be told";
  report.lost_packets.reset();
  report.loss_ratio.reset();
  mark_unread(report, "lost_packets", reason);
  mark_unread(report, "loss_ratio", reason);
  std::erase_if(report.findings, [](const std::string& f) { return f.find("lost packets were lost") != std::string::npos || f.find("packet numbers jumped") != std::string::npos; });
}

// A file may hold frames without a time; then nothing that is a rate, or rests on arrivals, can be read.
void take_back_times(stream::StreamReport& report) {
  report.payload_bps = report.wire_bps = report.jitter_ms = report.arrival_frame_rate_hz = report.rtp_clock_ppm = report.sender_report_clock_ppm =
      report.duration_s = report.window_s = std::nullopt;
  report.peak_bps.clear();
  report.windows.clear();
  report.gaps.clear();
  for (const char* field : {"payload_bps", "wire_bps", "jitter_ms", "arrival_frame_rate_hz", "rtp_clock_ppm", "sender_report_clock_ppm", "duration_s",
                            "window", "peak_bps", "windows"}) {
    mark_unread(report, field, "the capture does not tell when its frames came");
    report.uncertainty.erase(field);
  }
}

void find_in_stream(const Source& source, TappedStream& out) {
  auto& findings = out.report.findings;
  for (auto& finding : findings)
    if (finding.rfind("the session broke", 0) == 0) {
      double gaps_s = 0;
      for (const auto& gap : out.report.gaps) gaps_s += gap.duration_s;
      finding = "the tap itself was away for " + std::to_string(static_cast<int>(gaps_s)) + " s: that is a gap, not loss";
    }
  const auto packets = out.report.packets.value_or(0);
  if (out.report.duplicate_packets && packets >= 20 && *out.report.duplicate_packets * 10 >= packets * 4)
    findings.push_back("nearly every packet was seen twice: the mirror shows both the port where they enter and the one where they leave; mirror one "
                       "direction of one port");
  if (source.other_types() > 0)
    findings.push_back(counted(source.other_types(), "packet has", "packets have") + " payload type " + std::to_string(source.other_type()) + ", the first had " + std::to_string(source.payload_type()));
  if (out.not_captured_packets > 0)
    findings.push_back(counted(static_cast<std::uint64_t>(out.not_captured_packets), "packet is", "packets are") +
                       " not in the capture though TCP delivered them: the capture's loss, not the network's");
  if (source.medium() && source.medium()->encrypted) findings.push_back("it is encrypted (SRTP): rates and loss are read, the picture is not");
}

}  // namespace

TappedStream describe(const Source& source, const CaptureLoss& loss) {
  TappedStream out;
  const auto& meter = source.meter();
  out.report = meter.report();
  auto& report = out.report;
  report.source = source.flow().source_text();
  report.destination = source.flow().destination_text();
  report.unread["session"] = not_ours;
  out.payload_type = source.payload_type();
  out.recognised_by = name_of(source.by());
  out.clock_told = source.clock_known() && !source.clock_measured();
  out.codec_told = source.codec_known() && !source.guessed();
  out.missing_packets = report.lost_packets.value_or(0);
  out.not_captured_packets = meter.not_captured();
  if (const auto* medium = source.medium()) {
    if (!medium->url.empty()) out.url = medium->url;
    if (!medium->unit.empty()) out.unit = medium->unit;
  }
  if (source.receiver.reports > 0) {
    out.receiver = source.receiver;
    if (source.clock_known()) out.receiver_jitter_ms = source.receiver.jitter_ticks * 1000.0 / std::max(1u, meter.settings().clock_hz);
  }
  take_back_unknown(source, report);
  take_back_loss(report, loss);
  if (source.untimed()) take_back_times(report);
  find_in_stream(source, out);
  return out;
}

// A time stamp that stands still is none: something that counts where RTP does.
bool is_no_media(const Source& source) {
  constexpr double long_enough_s = 2;
  return source.by() == RecognisedBy::sequence && source.meter().time_stands_still_for(long_enough_s);
}

TapTotals sum_of(std::span<const Tap* const> taps, TapTotals so_far) {
  auto out = std::move(so_far);
  for (const auto* tap : taps) {
    const auto t = tap->totals();
    out.frames += t.frames;
    out.octets += t.octets;
    out.cut_frames += t.cut_frames;
    out.udp_datagrams += t.udp_datagrams;
    out.tcp_segments += t.tcp_segments;
    out.other_frames += t.other_frames;
    out.malformed_frames += t.malformed_frames;
    out.unreadable_frames += t.unreadable_frames;
    out.untimed_frames += t.untimed_frames;
    out.clock_steps += t.clock_steps;
    out.encapsulated_frames += t.encapsulated_frames;
    out.media_datagrams += t.media_datagrams;
    out.incomplete_datagrams += t.incomplete_datagrams;
    out.streams_refused += t.streams_refused;
    out.connections_refused += t.connections_refused;
    out.rtsp_connections += t.rtsp_connections;
    out.encrypted_connections += t.encrypted_connections;
    out.tcp.missing_octets += t.tcp.missing_octets;
    out.tcp.holes += t.tcp.holes;
    out.tcp.retransmitted_segments += t.tcp.retransmitted_segments;
    out.tcp.malformed += t.tcp.malformed;
    if (t.first && (!out.first || *t.first < *out.first)) out.first = t.first;
    if (t.last && (!out.last || *t.last > *out.last)) out.last = t.last;
  }
  return out;
}

namespace {

void find_in_capture(TapReport& out) {
  const auto& c = out.capture;
  const auto& t = c.totals;
  auto& findings = out.findings;
  const auto tell = [&](bool holds, const std::string& sentence) {
    if (holds) findings.push_back(sentence);
  };
  tell(c.loss.by_kernel > 0, "the capture itself lost " + counted(c.loss.by_kernel, "frame", "frames") +
                                 " because its reader was too slow: missing packets are not laid to the network; capture on a faster machine, or mirror fewer ports");
  tell(c.loss.by_interface > 0, "the capturing card itself lost " + counted(c.loss.by_interface, "frame", "frames") +
                                    ": missing packets are not laid to the network; mirror fewer ports, or use a faster card");
  tell(t.cut_frames > 0, std::to_string(t.cut_frames) + " of " + std::to_string(t.frames) +
                             " frames are cut short in the capture: rates and loss of what is recognised by UDP are whole, parameter sets may be missing, and media within TCP cannot be "
                             "read from cut frames; capture whole frames");
  tell(t.tcp.holes > 0, "the capture lacks " + counted(t.tcp.missing_octets, "octet", "octets") + " of RTSP connections in " + counted(t.tcp.holes, "place", "places") +
                            " though TCP delivered them: the mirror or the capture loses frames, so loss of UDP streams may be its own too");
  tell(t.encrypted_connections > 0, counted(t.encrypted_connections, "connection is", "connections are") +
                                        " RTSP over TLS: what they carry cannot be seen by a tap; ask the unit itself with `tallywire stream`");
  tell(t.incomplete_datagrams > 0, counted(t.incomplete_datagrams, "datagram came", "datagrams came") + " in fragments of which some are missing");
  tell(t.unreadable_frames > 0 && c.unknown_links.empty(), counted(t.unreadable_frames, "frame is", "frames are") + " cut within their headers: nothing can be read of them");
  tell(t.encapsulated_frames > 0, counted(t.encapsulated_frames, "frame is", "frames are") +
                                      " wrapped in a tunnel (GRE, ERSPAN, VXLAN, MPLS or PPPoE): what they carry is not read; mirror to a port of this machine's own switch");
  tell(t.clock_steps > 0, "the clock of the capture itself was set back " + (t.clock_steps == 1 ? std::string("once") : std::to_string(t.clock_steps) + " times") +
                              ": rates and jitter across that moment are not the streams' own");
  tell(t.untimed_frames > 0, "the capture does not tell when " + counted(t.untimed_frames, "frame", "frames") + " came: no rate can be read from them");
  tell(t.malformed_frames > 0, counted(t.malformed_frames, "frame has", "frames have") + " lengths that do not fit");
  tell(t.streams_refused > 0, counted(t.streams_refused, "stream was", "streams were") + " left out: too many at once");
  tell(t.connections_refused > 0, counted(t.connections_refused, "TCP segment was", "TCP segments were") + " left out: too many connections at once");
  if (!c.unknown_links.empty()) {
    std::string numbers;
    for (const auto link : c.unknown_links) numbers += (numbers.empty() ? "" : ", ") + std::to_string(link);
    findings.push_back(counted(t.unreadable_frames, "frame is", "frames are") + " of a link layer that is not read (LINKTYPE " + numbers +
                       "); Ethernet, Linux cooked, raw IP and loopback are");
  }
}

}  // namespace

namespace {

// Heaviest first. Each goes to its place at once, along the rings that the order makes: sorting would move ten thousand
// large values many times over, and a second list of them costs as much memory as the first.
void put_in_order(std::vector<TappedStream>& streams) {
  std::vector<std::size_t> order(streams.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  const auto weight = [&](std::size_t i) { return streams[i].report.wire_bps.value_or(0); };
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) { return weight(a) > weight(b); });
  for (std::size_t begin = 0; begin < order.size(); ++begin) {
    if (order[begin] == begin) continue;
    auto first = std::move(streams[begin]);
    auto hole = begin;
    for (auto next = order[hole]; next != begin; next = order[hole]) {
      streams[hole] = std::move(streams[next]);
      order[hole] = hole;
      hole = next;
    }
    streams[hole] = std::move(first);
    order[hole] = hole;
  }
}

}  // namespace

TapReport report_of(std::span<const Tap* const> taps, CaptureFacts facts) {
  TapReport out;
  out.capture = std::move(facts);
  out.capture.totals = sum_of(taps);
  const CaptureLoss any_loss{out.capture.loss.by_kernel + out.capture.loss_just_before.by_kernel,
                             out.capture.loss.by_interface + out.capture.loss_just_before.by_interface};
  for (const auto* tap : taps) {
    out.streams.reserve(out.streams.size() + tap->streams());
    for (std::size_t i = 0; i < tap->streams(); ++i) {
      if (tap->stream(i).meter().packets() == 0) continue;  // silent since all began anew
      if (is_no_media(tap->stream(i))) {
        ++out.capture.not_media;
        continue;
      }
      out.streams.push_back(describe(tap->stream(i), any_loss));
    }
  }
  put_in_order(out.streams);
  if (out.capture.totals.clock_steps > 0)  // the capture's clock, not the units'
    for (auto& stream : out.streams)
      std::erase_if(stream.report.findings, [](const std::string& f) { return f.find("time stamps jumped") != std::string::npos; });
  const auto own_loss = out.capture.loss.by_kernel + out.capture.loss.by_interface;
  if (own_loss > 0) out.unread["capture"] = "it lost " + counted(own_loss, "frame", "frames") + " itself";
  if (!out.capture.away.empty()) out.unread["capture"] = "nothing is captured now: " + out.capture.away;
  if (out.capture.damage) out.unread["capture"] = *out.capture.damage;
  if (out.streams.empty())
    out.unread["streams"] = out.capture.totals.frames == 0 ? "the capture holds no frame" : "no media stream was recognised among what was captured";
  find_in_capture(out);
  return out;
}

bool is_whole(const TappedStream& stream) {
  static const char* const of_all[] = {"codec", "payload_bps", "wire_bps", "lost_packets", "jitter_ms"};
  static const char* const of_video[] = {"width", "height", "profile", "frame_rate_hz", "gop_s", "keyframe_bytes_mean"};
  const auto unread = [&](const char* field) { return stream.report.unread.contains(field); };
  if (std::any_of(std::begin(of_all), std::end(of_all), unread)) return false;
  const auto& codec = stream.report.codec;
  const bool video = codec == "H264" || codec == "H265" || codec == "JPEG";
  return !video || std::none_of(std::begin(of_video), std::end(of_video), unread);
}

bool is_whole(const TapReport& report) {
  return report.unread.empty() && std::all_of(report.streams.begin(), report.streams.end(), [](const TappedStream& s) { return is_whole(s); });
}

}  // namespace tallywire::tap
