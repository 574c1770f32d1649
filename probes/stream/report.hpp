// What one metered stream turned out to be. The fields and their JSON names are laid down in
// docs/commands.md ("stream"); an empty optional is a field that could not be read, and then
// `unread` holds the reason under the same name.
#pragma once

#include "probes/certificate.hpp"
#include "probes/reading.hpp"
#include "probes/stream/reason.hpp"

#include <nlohmann/json_fwd.hpp>

#include <boost/container/flat_map.hpp>

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace tallywire {
class JsonText;
}

namespace tallywire::stream {

// By a field's JSON name, which is a constant: a map in one piece of memory, for reports by the ten thousand.
template <class T>
using ByField = boost::container::flat_map<std::string_view, T>;

// A time in which the session was broken: nothing was received, nothing counts as lost, no rate covers it.
struct Gap {
  double begin_s = 0;     // after the first packet
  double duration_s = 0;
};

// One medium of a session by itself: rate and loss.
struct TrackReport {
  std::string kind;                      // "video", "audio", "metadata"
  std::string codec;                     // the RTP encoding name in capitals
  std::int64_t packets = 0;
  std::int64_t payload_bytes = 0;
  std::optional<double> payload_bps;
  std::optional<double> wire_bps;
  std::int64_t lost_packets = 0;
  std::optional<double> loss_ratio;
  std::int64_t reordered = 0;
  std::int64_t duplicates = 0;
  std::optional<double> jitter_ms;
  std::optional<std::uint32_t> ssrc;
  double duration_s = 0;                 // first to last packet
  // Pictures; AAC: access units; metadata: documents that ended. Nothing of these in G.711 and G.726.
  std::optional<std::int64_t> frames;
  std::optional<double> frame_rate_hz;
  ByField<Reason> unread;
};

// What the unit's RTCP sender reports say (RFC 3550 §6.4.1).
struct SenderReportSummary {
  std::int64_t count = 0;
  // Between the first and the last report: what the unit counts as sent, and what was received meanwhile.
  std::optional<std::int64_t> sent_packets;
  std::optional<std::int64_t> received_packets;
  // The unit's wall clock less ours; its path delay is not known, and part of the uncertainty.
  std::optional<double> clock_offset_ms;
  std::optional<double> clock_offset_uncertainty_ms;
};

// A histogram of windows: octets of RTP payload in each, classes 1/16 of an octave wide. Those of 100 ms begin every 10 ms,
// the others one behind the other.
struct WindowCounts {
  int window_ms = 0;
  std::vector<std::pair<double, std::uint32_t>> counts;  // lower edge in octets, windows; none are empty
  double most_octets = 0;                                // in any window of this length, wherever it begins
};

// The RTSP session that carried a stream; a tap has none.
struct SessionSummary {
  std::string rtsp_version;               // "1.0", "2.0"
  std::string server;                     // as the unit names itself; may be empty
  std::vector<std::string> left_out;      // media that were not set up, each with the reason
  std::optional<std::string> broke_off;   // why it ended before its time
  std::int64_t receiver_reports = 0;      // RTCP reports sent
  bool login_asked = false;               // before it showed its pictures
  std::int64_t dropped_here_packets = 0;  // this machine had no room for them; UDP
  std::string tls_version, tls_cipher;    // empty in the open
  std::optional<Certificate> certificate;
};

struct StreamReport {
  std::optional<std::string> transport;  // "tcp", "udp", "multicast"
  std::optional<std::string> codec;      // "H264", "H265", "JPEG"; the RTP encoding name in capitals
  std::optional<int> width;              // luma samples after cropping
  std::optional<int> height;
  std::optional<std::string> profile;
  std::optional<std::string> level;
  std::optional<double> frame_rate_hz;   // from RTP time stamps
  std::optional<double> arrival_frame_rate_hz;  // frames by our clock, those lost not among them
  std::optional<double> vui_frame_rate_hz;      // what the parameter sets promise
  std::optional<double> gop_s;           // mean distance of key frames
  std::optional<double> gop_frames;
  std::optional<std::int64_t> gop_frames_min;
  std::optional<std::int64_t> gop_frames_max;
  std::optional<double> payload_bps;     // RTP payload octets, over whole GOPs where there are two key frames
  std::optional<double> wire_bps;        // all that the link is busy with, preamble and gap included
  boost::container::flat_map<int, double> peak_bps;        // window_ms -> greatest payload rate in any such window
  std::vector<WindowCounts> windows;     // 10, 40, 100, 1000 ms
  std::optional<std::int64_t> packets;
  std::optional<std::int64_t> payload_bytes;
  std::optional<std::int64_t> lost_packets;
  std::optional<double> loss_ratio;      // lost / expected, never negative
  std::optional<std::int64_t> reordered_packets;
  std::optional<std::int64_t> duplicate_packets;
  std::optional<double> jitter_ms;       // RFC 3550 A.8
  std::optional<double> keyframe_bytes_mean;
  std::optional<std::int64_t> keyframe_bytes_max;
  std::optional<double> duration_s;      // first to last packet
  std::optional<std::uint32_t> ssrc;
  std::optional<double> rtp_clock_ppm;            // the RTP clock against ours; positive: it is fast
  std::optional<double> sender_report_clock_ppm;  // the RTP clock against the unit's own wall clock
  std::optional<SenderReportSummary> sender_reports;
  std::optional<std::int64_t> window_gops;        // whole GOPs that the rates cover
  std::optional<double> window_s;                 // time that the rates cover
  // Half widths in the unit of the field, by its name. A field that is not in it is exact or a bare count.
  ByField<double> uncertainty;
  std::vector<Gap> gaps;
  std::vector<TrackReport> tracks;       // the other media of the session
  std::optional<SessionSummary> session;
  std::string source;                    // "192.0.2.10:5004"
  std::string destination;
  std::vector<std::string> findings;     // sentences
  ByField<Reason> unread;

  SystemTime when{};                     // end of the measurement
  std::string method;                    // "RTP over TCP, 4 whole GOPs in 10.0 s"

  double uncertainty_of(std::string_view field) const {
    const auto at = uncertainty.find(field);
    return at == uncertainty.end() ? 0 : at->second;
  }
};

// Whether the stream went on to its end, and every field that it is always asked for was read (the fields of design and command; docs/commands.md).
bool is_whole(const StreamReport& report);

// The fields of the object of docs/commands.md, into an object that is begun: every one but `unread`, which others may
// have more to say in; null where unread.
void write_fields(JsonText& out, const StreamReport& report);
// The whole object.
void to_json(nlohmann::json& out, const StreamReport& report);
void to_json(nlohmann::json& out, const TrackReport& report);

// One reading for each field that a design can promise: codec, width_px, height_px, frame_rate_hz,
// gop_frames, payload_bps, wire_bps, peak_bps_100ms, loss_ratio, lost_packets, jitter_ms; and what headroom rests on:
// wire_windows_100ms (window_counts.hpp), keyframe_bytes_mean, keyframe_bytes_max. Where they are known also transport, login
// ("asked", "not asked") and dropped_here_packets.
std::vector<Reading> to_readings(const StreamReport& report, const std::string& subject);

// A report with every field unread for the one reason: nobody answered, login refused, …
StreamReport unread_report(const Reason& reason, SystemTime when);

}  // namespace tallywire::stream
