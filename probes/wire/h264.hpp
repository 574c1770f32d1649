// H.264: what a meter needs of the bit stream (ITU-T H.264 §7.3) and of its RTP payload (RFC 6184).
#pragma once

#include "probes/wire/octets.hpp"

#include <cstdint>
#include <optional>
#include <string>

namespace tallywire::wire {

// What a sequence parameter set says of the picture, for H.264 and H.265 alike.
struct PictureFormat {
  int width = 0;    // luma samples after cropping
  int height = 0;
  std::string profile;
  std::string level;
  std::optional<double> frame_rate_hz;  // from VUI timing; none without it
};

enum class H264Nal : std::uint8_t { slice = 1, idr = 5, sei = 6, sps = 7, pps = 8, filler = 12 };

// `nal`: a whole NAL unit with its header, without start code. None when it is no SPS or cut short.
std::optional<PictureFormat> decode_h264_sps(Octets nal);

// The profile-level-id that the set amounts to: its three octets as six capital hexadecimal digits (RFC 6184 §8.1).
std::string profile_level_id_of(Octets sps);

// slice_type (Table 7-6; 2 and 7 are I) of the first octets of a slice header, without the NAL unit's own octet.
std::optional<unsigned> decode_slice_type(Octets slice_header);

// Whether a SEI NAL unit holds a recovery point message (§D.1.8, payload type 6). At most 16 messages are looked at.
bool has_recovery_point(Octets nal);

// What RFC 6184 §5.2 Table 1 makes of a payload's type.
enum class H264PayloadKind { single, aggregation, fragment, interleaved, reserved };
constexpr H264PayloadKind kind_of_h264_payload(unsigned type) {
  if (type >= 1 && type <= 23) return H264PayloadKind::single;
  if (type == 24) return H264PayloadKind::aggregation;
  if (type == 28) return H264PayloadKind::fragment;
  return type == 0 || type > 29 ? H264PayloadKind::reserved : H264PayloadKind::interleaved;
}

// What one RTP payload carries, told to a sink by calls: begin of a NAL unit with its type and the octets
// of it in this packet (header included where it is sent). Returns false when the payload is malformed.
//   nal(type, octets, begins): `begins` is false for the later fragments of an FU.
// Types 25 to 27 and 29 (interleaved mode) are refused: none of our peers sends them by packetization mode
// 0 or 1 (RFC 6184 §5.4 Table 3).
template <class Sink>
bool split_h264_payload(Octets payload, Sink&& nal) {
  if (payload.empty()) return false;
  const unsigned type = payload[0] & 0x1f;
  if (type >= 1 && type <= 23) {
    nal(type, payload, true);
    return true;
  }
  if (type == 24) {  // STAP-A, §5.7.1
    OctetReader reader(payload.subspan(1));
    bool any = false;
    while (reader.left() > 0) {
      const auto unit = reader.take(reader.u16());
      if (!reader.ok() || unit.empty()) return false;
      nal(unit[0] & 0x1fu, unit, true);
      any = true;
    }
    return any;
  }
  if (type == 28) {  // FU-A, §5.8
    if (payload.size() < 3) return false;
    const bool start = payload[1] & 0x80, end = payload[1] & 0x40;
    if (start && end) return false;
    nal(payload[1] & 0x1fu, payload.subspan(2), start);
    return true;
  }
  return false;
}

}  // namespace tallywire::wire
