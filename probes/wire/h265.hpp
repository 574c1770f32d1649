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

inline constexpr unsigned h265_paci_type = 50;  // RFC 7798 §4.4.4

// As split_h264_payload. `don_fields`: sprop-max-don-diff is above 0, so that DONL and DOND are there (§4.4); a single
// NAL unit then holds DONL between its header and its body, and only its type is to be used. PACI packets (type
// 50) and the types above are refused.
template <class Sink>
bool split_h265_payload(Octets payload, Sink&& nal, bool don_fields = false) {
  if (payload.size() < 2) return false;
  const unsigned type = (payload[0] >> 1) & 0x3fu;
  if (type < 48) {
    if (don_fields && payload.size() < 4) return false;
    nal(type, payload, true);
    return true;
  }
  if (type == 48) {  // aggregation packet, §4.4.2
    OctetReader reader(payload.subspan(2));
    bool any = false;
    while (reader.left() > 0) {
      if (don_fields) reader.skip(any ? 1 : 2);  // DONL before the first, DOND before the others
      const auto unit = reader.take(reader.u16());
      if (!reader.ok() || unit.size() < 2) return false;
      nal((unit[0] >> 1) & 0x3fu, unit, true);
      any = true;
    }
    return any;
  }
  if (type == 49) {  // fragmentation unit, §4.4.3; DONL only where it starts
    if (payload.size() < 4) return false;
    const bool start = payload[2] & 0x80, end = payload[2] & 0x40;
    if (start && end) return false;
    const std::size_t header = don_fields && start ? 5 : 3;
    if (payload.size() < header) return false;
    nal(payload[2] & 0x3fu, payload.subspan(header), start);
    return true;
  }
  return false;
}

}  // namespace tallywire::wire
