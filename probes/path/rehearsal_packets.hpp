// The octets of made-up packets: RTP (RFC 3550 §5.1) with H.264 in packetization mode 1 (RFC 6184 §5.6 to §5.8). Headers, marker,
// time stamps, numbers, parameter sets and slice headers are real, so that a meter reads a stream; what follows is noise, but for
// a stamp: when the packet was due, and in which step. No I/O.
#pragma once

#include "probes/wire/octets.hpp"

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

namespace tallywire::path {

inline constexpr std::size_t rtp_header_octets = 12;
inline constexpr std::size_t most_parameter_set_octets = 64;
inline constexpr std::uint8_t rehearsal_payload_type = 96;
inline constexpr std::uint32_t rehearsal_clock_hz = 90000;

// The payload of the packet that begins a key frame: an STAP-A of a sequence and a picture parameter set (Constrained Baseline,
// no VUI, cropped to the size). Sizes are held to 16 to 16384 pixels.
std::vector<std::uint8_t> parameter_sets_of(int width_px, int height_px);

struct PacketStamp {
  std::uint32_t due_us = 0;      // after the begin of the step
  std::uint8_t step = 0;
  bool key = false;              // of a key frame
};

// All that is not noise of a packet of a slice: RTP header, NAL or FU-A headers, slice header, stamp.
inline constexpr std::size_t made_up_header_octets = rtp_header_octets + 2 + 4 + 8;
struct MadeUpPacket {
  std::uint32_t ssrc = 0, rtp_time = 0;
  std::uint16_t sequence = 0;
  bool first = false, last = false;  // of the slice; both: it is not cut into fragments
  int in_gop = 0;
  PacketStamp stamp;
};
// Writes the head of a packet and answers how many octets it takes; what follows on the wire may be anything but 0.
std::size_t write_head(const MadeUpPacket& packet, std::array<std::uint8_t, made_up_header_octets>& out);
// The RTP header alone, before parameter sets.
void write_rtp_header(const MadeUpPacket& packet, bool marker, std::uint8_t* out);

// The stamp of an RTP payload; none where there is none: parameter sets, or what is not of ours.
std::optional<PacketStamp> read_stamp(wire::Octets payload);

}  // namespace tallywire::path
