// RTP packets for the meter's tests.
#pragma once

#include "probes/stream/meter.hpp"

#include "tests/support/hex.hpp"

#include <cstdint>
#include <vector>

namespace tallywire::test {

inline const SystemTime noon = from_rfc3339("2026-11-25T12:00:00.000Z");

inline SystemTime after(double seconds) {
  return noon + std::chrono::nanoseconds(static_cast<std::int64_t>(seconds * 1e9 + 0.5));
}

inline std::vector<std::uint8_t> packet(std::uint16_t sequence, std::uint32_t time, std::vector<std::uint8_t> payload,
                                        std::uint32_t ssrc = 7, bool marker = false) {
  std::vector<std::uint8_t> out = {0x80, static_cast<std::uint8_t>(marker ? 0xe0 : 0x60)};
  wire::put_u16(out, sequence);
  wire::put_u32(out, time);
  wire::put_u32(out, ssrc);
  out.insert(out.end(), payload.begin(), payload.end());
  return out;
}

// A payload of one NAL unit: its first octets as given, zeros up to the size.
inline std::vector<std::uint8_t> nal(std::vector<std::uint8_t> begin, std::size_t octets) {
  begin.resize(octets, 0);
  return begin;
}

inline std::vector<std::uint8_t> idr(std::size_t octets) { return nal({0x65, 0x88}, octets); }
// A P slice: first_mb 0 and slice_type 5, '1' '00110' (ITU-T H.264 §7.3.3, Table 7-6).
inline std::vector<std::uint8_t> difference(std::size_t octets) { return nal({0x41, 0x9a}, octets); }

inline stream::MeterSettings h264() {
  stream::MeterSettings out;
  out.codec = stream::Codec::h264;
  out.encoding_name = "H264";
  // Check-values row 7.2: 1920 x 1080, High.
  out.parameter_sets = {from_hex("67640028acd940780227e5c044000003000400000300c83c60c658")};
  return out;
}

}  // namespace tallywire::test
