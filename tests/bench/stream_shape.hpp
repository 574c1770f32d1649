// Frames shaped like a camera's H.264 in RTP (RFC 6184 §5.6 to §5.8), for the benchmarks: 1280x720, 25 frames/s, a
// key frame each second and five times as large as the others, 500,000 octets of RTP payload each second: 4 Mbit/s.
// Parameter sets and slice headers are real; what follows in a slice is noise that holds no start code.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <string>
#include <utility>
#include <vector>

namespace tallywire::bench {

constexpr int frames_per_s = 25;
constexpr int gop_frames = 25;
constexpr int frame_ms = 1000 / frames_per_s;
constexpr std::uint32_t clock_hz = 90000;
constexpr std::size_t packet_octets = 1400;     // RTP header included; the last packet of a frame is shorter
constexpr std::size_t gop_payload_octets = 500'000;
constexpr std::size_t frame_payload_octets = gop_payload_octets / (gop_frames - 1 + 5);
constexpr std::size_t key_payload_octets = gop_payload_octets - (gop_frames - 1) * frame_payload_octets;

// What differs from stream to stream and from frame to frame.
struct Stamp {
  std::uint32_t ssrc = 0;
  std::uint32_t rtp_time = 0;
  std::uint16_t sequence = 0;  // of the frame's first packet
  std::uint8_t channel = 0;    // TCP
  int frame_in_gop = 0;
};

// One frame as it goes out: packets that touch, each behind four octets of interleaved framing (RFC 2326 §10.12) or
// behind nothing. One object serves every stream in turn: stamp() writes over the last one's fields.
class FrameShape {
 public:
  // `gop_octets`: RTP payload of one GOP; a slice that fits into one packet is not cut. At least 2500.
  FrameShape(bool key, bool interleaved, std::size_t gop_octets = gop_payload_octets);

  const std::vector<std::uint8_t>& stamp(const Stamp& stamp);
  // The frame's packet `index` alone, from its RTP header on, its framing left away. `stamp.sequence` is that packet's.
  std::span<const std::uint8_t> stamp_packet(std::size_t index, const Stamp& stamp);
  std::size_t packets() const { return packets_.size(); }
  std::size_t payload_octets() const { return payload_octets_; }
  // Stretches of packets of one length (the last may be shorter), as UDP_SEGMENT takes them: offset and octets.
  const std::vector<std::pair<std::size_t, std::size_t>>& runs() const { return runs_; }

 private:
  void add_packet(const std::vector<std::uint8_t>& payload, bool last);
  void add_slice(std::vector<std::uint8_t> nal);
  void find_runs();
  std::size_t end_of(std::size_t index) const;
  void stamp_frame_number(int frame_in_gop);

  bool key_;
  bool interleaved_;
  std::vector<std::uint8_t> octets_;
  std::vector<std::size_t> packets_;  // offset of each RTP header
  std::vector<std::pair<std::size_t, std::size_t>> runs_;
  std::size_t payload_octets_ = 0;
  std::size_t frame_number_at_ = 0;   // of the octet that holds the slice's frame_num
};

// The session description that goes with it (RFC 6184 §8.2.1).
std::string describe_shape(const std::string& address);

}  // namespace tallywire::bench
