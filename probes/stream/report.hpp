// What one metered stream turned out to be. The fields and their JSON names are laid down in
// docs/commands.md ("stream"); an empty optional is a field that could not be read, and then
// `unread` holds the reason under the same name.
#pragma once

#include "probes/reading.hpp"

#include <nlohmann/json_fwd.hpp>

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::stream {

struct StreamReport {
  std::optional<std::string> transport;  // "tcp", "udp", "multicast"
  std::optional<std::string> codec;      // "H264", "H265", "JPEG"; the RTP encoding name in capitals
  std::optional<int> width;              // luma samples after cropping
  std::optional<int> height;
  std::optional<std::string> profile;
  std::optional<double> frame_rate_hz;   // from RTP time stamps
  std::optional<double> gop_s;           // mean distance of key frames
  std::optional<double> gop_frames;
  std::optional<double> payload_bps;     // RTP payload octets, over whole GOPs where there are two key frames
  std::optional<double> wire_bps;        // all that the link is busy with, preamble and gap included
  std::map<int, double> peak_bps;        // window_ms -> greatest payload rate in any such window
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
  double payload_uncertainty_bps = 0;    // half width; 0 over whole GOPs
  std::string source;                    // "192.0.2.10:5004"
  std::string destination;
  std::vector<std::string> findings;     // sentences
  std::map<std::string, std::string> unread;

  SystemTime when{};                     // end of the measurement
  std::string method;                    // "RTP over TCP, 4 whole GOPs in 10.0 s"
};

// The object of docs/commands.md: every field present, null where unread.
void to_json(nlohmann::json& out, const StreamReport& report);

// One reading for each field that a design can promise: codec, width_px, height_px, frame_rate_hz,
// gop_frames, payload_bps, wire_bps, peak_bps_100ms, loss_ratio, lost_packets, jitter_ms.
std::vector<Reading> to_readings(const StreamReport& report, const std::string& subject);

// A report with every field unread for the one reason: nobody answered, login refused, …
StreamReport unread_report(const std::string& reason, SystemTime when);

}  // namespace tallywire::stream
