// Which of the streams that a unit offers is the one the design means. Pure.
#pragma once

#include "probes/camera/media.hpp"
#include "probes/fault.hpp"
#include "probes/reading.hpp"

#include <optional>
#include <string>
#include <vector>

namespace tallywire::camera {

struct WantedStream {
  std::size_t head = 0;                     // the first head is 0
  std::optional<std::string> video_source;  // its token, when the design names it; else heads go by order
  std::string codec;                        // "H264", "H265", "JPEG"
  int width_px = 0;
  int height_px = 0;
  double frame_rate_hz = 0;
  double bit_rate_bps = 0;
};

// Of the profiles of its head, those with its codec and its picture size; of these the nearest frame rate, then the
// nearest bit rate. Two that are equally near are the same stream when they share an encoder, else a Fault, as is none:
// `unsupported`, with a list of what the head offers. The pointer is into `report`.
Outcome<const OfferedStream*> resolve_stream(const MediaReport& report, const WantedStream& wanted,
                                             const std::string& where);
// The stream whose address has this path; null when none or several have it.
const OfferedStream* find_by_path(const MediaReport& report, const std::string& path);

// told_codec, told_width_px, told_height_px, told_frame_rate_hz, told_bit_rate_bps, told_gop_frames: how the unit says
// that the stream is set; told_stream_url: where it says the stream is, without secrets.
std::vector<Reading> told_readings(const MediaReport& report, const OfferedStream& stream, const std::string& subject,
                                   const std::string& password, SystemTime when);
std::vector<Reading> told_unread(const std::string& subject, const std::string& reason, SystemTime when);

}  // namespace tallywire::camera
