// Session descriptions (RFC 8866) as units send them: bare LF, trailing blanks, unknown lines.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace tallywire::wire {

struct SdpFormat {
  int payload_type = 0;
  std::string encoding;         // "H264"; of static types without rtpmap by RFC 3551 §6
  std::uint32_t clock_hz = 0;   // 0: not told
  int channels = 1;
  std::string parameters;       // the fmtp, as it stands
};

struct SdpMedia {
  std::string kind;             // "video", "audio", "application"
  int port = 0;
  std::string protocol;         // "RTP/AVP"
  std::vector<SdpFormat> formats;
  std::string control;
  std::string connection;       // address of its own or the session's, without TTL; may be empty
  int ttl = 0;                  // of an IPv4 multicast connection (§5.7)
  bool send_back = false;       // a=sendonly from our side: talk-back, not for us to receive
  bool inactive = false;        // a=inactive: nothing is sent
  // What the unit says of itself; 0: not told. To be compared with what it sends, never in its stead.
  double framerate_hz = 0;      // a=framerate (§6.12)
  int width = 0, height = 0;    // a=framesize (RFC 6064 §4) or a=x-dimensions (common practice)
  std::uint32_t bandwidth_kbps = 0;  // b=AS (§5.8): the session's own limit, with headers
};

struct SdpSession {
  std::string control;
  std::string connection;
  int ttl = 0;
  std::uint32_t bandwidth_kbps = 0;  // b=AS of the session: all media together
  std::vector<SdpMedia> media;
};

struct SdpLimits {
  std::size_t octets = 256 * 1024;
  std::size_t media = 64;
};

// None when it holds no media line or is beyond the limits.
std::optional<SdpSession> decode_sdp(std::string_view text, const SdpLimits& limits = {});

// A parameter of an fmtp ("sprop-parameter-sets"), names compared without case; empty when not there.
std::string fmtp_parameter(const std::string& parameters, std::string_view name);

// What a payload type means without any session (RFC 3551 §6); none for dynamic and unassigned ones.
std::optional<SdpFormat> static_format(int payload_type);

// NAL units of sprop-parameter-sets (RFC 6184 §8.1) or sprop-vps, -sps, -pps (RFC 7798 §7.1).
std::vector<std::vector<std::uint8_t>> parameter_sets_of(const SdpFormat& format);

}  // namespace tallywire::wire
