// ONVIF media services: which heads and streams a unit offers, how its encoders are set, and where each is fetched.
// Version 2 (ver20/media/wsdl, "ONVIF Media2 Service Specification", Profile T) and version 1 (ver10/media/wsdl, "ONVIF
// Media Service Specification", Profile S). Without I/O.
#pragma once

#include "probes/fault.hpp"
#include "probes/wire/onvif.hpp"

#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace tallywire::wire {

inline constexpr const char* media1_service = "http://www.onvif.org/ver10/media/wsdl";
inline constexpr const char* media2_service = "http://www.onvif.org/ver20/media/wsdl";

enum class MediaVersion { media1, media2 };

// Limits as the unit is set, not what it sends. Empty: the unit does not tell.
struct VideoEncoder {
  std::string token;
  std::string codec;  // a media subtype in capitals (RFC 6838 §4.2): "H264", "H265", "JPEG"
  std::optional<int> width_px;
  std::optional<int> height_px;
  std::optional<double> frame_rate_hz;
  double frame_rate_uncertainty_hz = 0;  // version 1 tells whole frames only
  std::optional<double> bit_rate_bps;
  std::optional<int> gop_frames;
  std::string profile;  // "Main", "High", …; may be empty
};

// A profile with a picture: one stream of one head.
struct MediaProfile {
  std::string token;
  std::string name;
  std::string video_source;  // token of the head
  VideoEncoder encoder;
};

inline constexpr std::size_t most_profiles = 64;
inline constexpr std::size_t largest_profiles = 1024 * 1024;

struct MediaProfiles {
  std::vector<MediaProfile> profiles;  // in the unit's order, those with a picture only
  std::size_t left_off = 0;            // beyond most_profiles
};

OnvifQuestion ask_profiles(MediaVersion version);
OnvifQuestion ask_video_sources();  // version 1 only
// `protocol` of version 2: "RtspUnicast" or "RTSP"; version 1 asks for RTP-Unicast over RTSP whatever it is.
OnvifQuestion ask_stream_uri(MediaVersion version, const std::string& profile_token, const std::string& protocol);
OnvifQuestion ask_snapshot_uri(MediaVersion version, const std::string& profile_token);

// Faults as those of the device service.
Outcome<MediaProfiles> decode_profiles(MediaVersion version, std::string_view body, const std::string& where);
Outcome<std::vector<std::string>> decode_video_sources(std::string_view body, const std::string& where);
Outcome<std::string> decode_stream_uri(std::string_view body, const std::string& where);
Outcome<std::string> decode_snapshot_uri(std::string_view body, const std::string& where);

}  // namespace tallywire::wire
