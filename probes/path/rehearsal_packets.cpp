#include "probes/path/rehearsal_packets.hpp"

#include <algorithm>

namespace tallywire::path {
namespace {

constexpr std::uint8_t key_nal = 0x65, difference_nal = 0x41;  // IDR and non-IDR slice (ITU-T H.264 Table 7-1)
constexpr std::uint8_t fragment_type = 28, aggregate_nal = 0x78;
constexpr std::size_t slice_header_octets = 4, stamp_octets = 8;
constexpr std::uint64_t stamp_mark = 0x2a65;  // 15 bits that tell a stamp from noise

class BitWriter {
 public:
  void bits(std::uint32_t value, int count) {
    for (int i = count - 1; i >= 0; --i) {
      if (used_ == 0) octets_.push_back(0);
      octets_.back() = static_cast<std::uint8_t>(octets_.back() | ((value >> i & 1) << (7 - used_)));
      used_ = (used_ + 1) % 8;
    }
  }
  // Exp-Golomb (ITU-T H.264 §9.1).
  void ue(std::uint32_t value) {
    int length = 0;
    for (auto v = value + 1; v > 1; v >>= 1) ++length;
    bits(0, length);
    bits(value + 1, length + 1);
  }
  // The stop bit, and 0x03 wherever three octets would look like a start code (§7.4.1.1).
  std::vector<std::uint8_t> finish(std::uint8_t nal) {
    bits(1, 1);
    std::vector<std::uint8_t> out = {nal};
    int zeros = 0;
    for (const auto octet : octets_) {
      if (zeros >= 2 && octet <= 3) {
        out.push_back(3);
        zeros = 0;
      }
      out.push_back(octet);
      zeros = octet == 0 ? zeros + 1 : 0;
    }
    return out;
  }

 private:
  std::vector<std::uint8_t> octets_;
  int used_ = 0;
};

std::vector<std::uint8_t> sequence_set(int width, int height) {
  const auto across = static_cast<std::uint32_t>((width + 15) / 16), down = static_cast<std::uint32_t>((height + 15) / 16);
  const auto right = (across * 16 - static_cast<std::uint32_t>(width)) / 2, bottom = (down * 16 - static_cast<std::uint32_t>(height)) / 2;
  BitWriter b;
  b.bits(66, 8);    // profile_idc
  b.bits(0xc0, 8);  // constraint sets 0 and 1
  b.bits(51, 8);    // level_idc 5.1: large enough for every size that a unit sends
  b.ue(0);
  b.ue(4);          // frame_num has 8 bits
  b.ue(2);          // picture order is that of decoding
  b.ue(1);
  b.bits(0, 1);
  b.ue(across - 1);
  b.ue(down - 1);
  b.bits(3, 2);     // whole frames; direct_8x8_inference
  b.bits(right > 0 || bottom > 0 ? 1 : 0, 1);
  if (right > 0 || bottom > 0)
    for (const auto crop : {0U, right, 0U, bottom}) b.ue(crop);
  b.bits(0, 1);     // no VUI
  return b.finish(0x67);
}

// CAVLC, one slice group, one reference, no deblocking control.
constexpr std::array<std::uint8_t, 4> picture_set = {0x68, 0xce, 0x38, 0x80};

void write_u32(std::uint8_t* at, std::uint32_t value) {
  for (int i = 0; i < 4; ++i) at[i] = static_cast<std::uint8_t>(value >> (24 - 8 * i));
}

// first_mb 0, slice type I (7) or P (5), picture set 0, frame_num of 8 bits; of an IDR picture its number. Then noise.
void write_slice_header(bool key, int in_gop, std::uint8_t* out) {
  const auto number = static_cast<std::uint8_t>(key ? 0 : in_gop);
  if (key) {
    out[0] = 0x88;                  // 1 0001000
    out[1] = 0x80;                  // 1 and seven of frame_num
    out[2] = 0x7f;                  // its last bit; idr_pic_id 0; then noise
  } else {
    out[0] = static_cast<std::uint8_t>(0x9a | number >> 7);    // 1 00110 1 and the first of frame_num
    out[1] = static_cast<std::uint8_t>(number << 1 | 1);
    out[2] = 0x7f;
  }
  out[3] = 0x7f;
}

// 56 bits in eight octets of seven, each with its top bit set: no octet is 0, so no start code can come about.
void write_stamp(const PacketStamp& stamp, std::uint8_t* out) {
  std::uint64_t word = std::uint64_t{stamp.due_us} << 24 | std::uint64_t{stamp.step} << 16 | (stamp.key ? 1ULL << 15 : 0) | stamp_mark;
  for (std::size_t i = 0; i < stamp_octets; ++i) out[i] = static_cast<std::uint8_t>(0x80 | (word >> (49 - 7 * i) & 0x7f));
}

}  // namespace

std::vector<std::uint8_t> parameter_sets_of(int width_px, int height_px) {
  const auto sequence = sequence_set(std::clamp(width_px, 16, 16384), std::clamp(height_px, 16, 16384));
  std::vector<std::uint8_t> out;
  out.push_back(aggregate_nal);
  wire::put_u16(out, static_cast<std::uint16_t>(sequence.size()));
  for (const auto octet : sequence) out.push_back(octet);
  wire::put_u16(out, static_cast<std::uint16_t>(picture_set.size()));
  for (const auto octet : picture_set) out.push_back(octet);
  return out;
}

void write_rtp_header(const MadeUpPacket& packet, bool marker, std::uint8_t* out) {
  out[0] = 0x80;
  out[1] = static_cast<std::uint8_t>((marker ? 0x80 : 0) | rehearsal_payload_type);
  out[2] = static_cast<std::uint8_t>(packet.sequence >> 8);
  out[3] = static_cast<std::uint8_t>(packet.sequence);
  write_u32(out + 4, packet.rtp_time);
  write_u32(out + 8, packet.ssrc);
}

std::size_t write_head(const MadeUpPacket& packet, std::array<std::uint8_t, made_up_header_octets>& out) {
  write_rtp_header(packet, packet.last, out.data());
  const auto nal = packet.stamp.key ? key_nal : difference_nal;
  auto* at = out.data() + rtp_header_octets;
  if (packet.first && packet.last) {
    *at++ = nal;
  } else {
    *at++ = static_cast<std::uint8_t>((nal & 0x60) | fragment_type);
    *at++ = static_cast<std::uint8_t>((packet.first ? 0x80 : 0) | (packet.last ? 0x40 : 0) | (nal & 0x1f));
  }
  write_slice_header(packet.stamp.key, packet.in_gop, at);
  write_stamp(packet.stamp, at + slice_header_octets);
  return static_cast<std::size_t>(at - out.data()) + slice_header_octets + stamp_octets;
}

std::optional<PacketStamp> read_stamp(wire::Octets payload) {
  if (payload.empty()) return std::nullopt;
  const std::size_t at = ((payload[0] & 0x1f) == fragment_type ? 2U : 1U) + slice_header_octets;
  if (payload.size() < at + stamp_octets) return std::nullopt;
  std::uint64_t word = 0;
  for (std::size_t i = 0; i < stamp_octets; ++i) {
    if ((payload[at + i] & 0x80) == 0) return std::nullopt;
    word = word << 7 | (payload[at + i] & 0x7f);
  }
  if ((word & 0x7fff) != stamp_mark) return std::nullopt;
  return PacketStamp{static_cast<std::uint32_t>(word >> 24), static_cast<std::uint8_t>(word >> 16), (word >> 15 & 1) != 0};
}

}  // namespace tallywire::path
