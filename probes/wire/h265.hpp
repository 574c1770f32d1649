// H.265: what a meter needs of the bit stream (ITU-T H.265 §7.3) and of its RTP payload (RFC 7798).
#pragma once

#include "probes/wire/h264.hpp"
#include "probes/wire/octets.hpp"

#include <optional>

namespace tallywire::wire {

// NAL unit types, Table 7-1. 16 to 21 are random access points: a key frame.
constexpr bool is_h265_key(unsigned type) { return type >= 16 && type <= 21; }
constexpr bool is_h265_slice(unsigned type) { return type <= 31; }
inline constexpr unsigned h265_sps_type = 33;

std::optional<PictureFormat> decode_h265_sps(Octets nal);

// As split_h264_payload; sprop-max-don-diff is taken as 0 (no DONL fields), as it is for every stream
// without reordered NAL units. PACI packets (type 50) are refused.
template <class Sink>
bool split_h265_payload(Octets payload, Sink&& nal) {
  if (payload.size() < 2) return false;
  const unsigned type = (payload[0] >> 1) & 0x3fu;
  if (type < 48) {
    nal(type, payload, true);
    return true;
  }
  if (type == 48) {  // aggregation packet, §4.4.2
    OctetReader reader(payload.subspan(2));
    bool any = false;
    while (reader.left() > 0) {
      const auto unit = reader.take(reader.u16());
      if (!reader.ok() || unit.size() < 2) return false;
      nal((unit[0] >> 1) & 0x3fu, unit, true);
      any = true;
    }
    return any;
  }
  if (type == 49) {  // fragmentation unit, §4.4.3
    if (payload.size() < 4) return false;
    const bool start = payload[2] & 0x80, end = payload[2] & 0x40;
    if (start && end) return false;
    nal(payload[2] & 0x3fu, payload.subspan(3), start);
    return true;
  }
  return false;
}

}  // namespace tallywire::wire
