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
