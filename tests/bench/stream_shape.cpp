#include "tests/bench/stream_shape.hpp"

#include "probes/wire/octets.hpp"

#include <algorithm>

namespace tallywire::bench {

namespace {

// Main profile, level 3.1, 1280x720, 25 frames/s fixed, log2_max_frame_num 5, picture order by decoding; CABAC.
const std::vector<std::uint8_t> sequence_set = {0x67, 0x4d, 0x00, 0x1f, 0xa6, 0x80, 0x50, 0x05, 0xba, 0x10, 0x00,
                                                0x00, 0x03, 0x00, 0x10, 0x00, 0x00, 0x03, 0x03, 0x28, 0x40};
const std::vector<std::uint8_t> picture_set = {0x68, 0xee, 0x38, 0x80};
constexpr const char* sets_in_base64 = "Z00AH6aAUAW6EAAAAwAQAAADAyhA,aO44gA==";

constexpr std::size_t rtp_header_octets = 12;
constexpr std::size_t framing_octets = 4;
constexpr std::size_t most_run_packets = 45;  // 63,000 octets: under the 65,507 of one UDP send

void write_u16(std::uint8_t* at, std::uint16_t value) {
  at[0] = static_cast<std::uint8_t>(value >> 8);
  at[1] = static_cast<std::uint8_t>(value);
}

void write_u32(std::uint8_t* at, std::uint32_t value) {
  write_u16(at, static_cast<std::uint16_t>(value >> 16));
  write_u16(at + 2, static_cast<std::uint16_t>(value));
}

// STAP-A of both sets (RFC 6184 §5.7.1).
std::vector<std::uint8_t> parameter_sets() {
  std::vector<std::uint8_t> out = {0x78};
  for (const auto* set : {&sequence_set, &picture_set}) {
    wire::put_u16(out, static_cast<std::uint16_t>(set->size()));
    out.insert(out.end(), set->begin(), set->end());
  }
  return out;
}

// first_mb 0, slice type I or P, picture set 0, frame_num (five bits), then for an IDR picture its id 0.
std::vector<std::uint8_t> slice(bool key, std::size_t octets) {
  std::vector<std::uint8_t> out =
      key ? std::vector<std::uint8_t>{0x65, 0x88, 0x82, 0x7f} : std::vector<std::uint8_t>{0x41, 0xe0, 0x1f};
  std::uint32_t noise = 12345;
  while (out.size() < octets) {
    noise = noise * 1664525 + 1013904223;
    out.push_back(static_cast<std::uint8_t>(1 + (noise >> 24) % 255));
  }
  return out;
}

}  // namespace

FrameShape::FrameShape(bool key, bool interleaved, std::size_t gop_octets) : key_(key), interleaved_(interleaved) {
  if (key) add_packet(parameter_sets(), false);
  const auto frame_octets = gop_octets / (gop_frames - 1 + 5);
  const auto wanted = (key ? gop_octets - (gop_frames - 1) * frame_octets : frame_octets) - payload_octets_;
  const auto room = packet_octets - rtp_header_octets;
  const auto fragments = (wanted + room - 1) / room;
  // Each fragment takes two octets of FU-A headers and leaves one of the NAL unit away in all.
  add_slice(slice(key, fragments == 1 ? wanted : wanted - 2 * fragments + 1));
  find_runs();
}

void FrameShape::add_packet(const std::vector<std::uint8_t>& payload, bool last) {
  if (interleaved_) {
    octets_.push_back('$');
    octets_.push_back(0);
    wire::put_u16(octets_, static_cast<std::uint16_t>(rtp_header_octets + payload.size()));
  }
  packets_.push_back(octets_.size());
  octets_.push_back(0x80);
  octets_.push_back(last ? 0x80 | 96 : 96);
  octets_.resize(octets_.size() + rtp_header_octets - 2);
  octets_.insert(octets_.end(), payload.begin(), payload.end());
  payload_octets_ += payload.size();
}

// FU-A fragments (RFC 6184 §5.8), or the NAL unit as it is: an FU-A may not be both first and last.
void FrameShape::add_slice(std::vector<std::uint8_t> nal) {
  if (nal.size() <= packet_octets - rtp_header_octets) {
    add_packet(nal, true);
    frame_number_at_ = packets_.back() + rtp_header_octets + 1;
    return;
  }
  const auto room = packet_octets - rtp_header_octets - 2;
  for (std::size_t at = 1; at < nal.size(); at += room) {
    const auto end = std::min(nal.size(), at + room);
    const int start = at == 1 ? 0x80 : 0;
    const int final = end == nal.size() ? 0x40 : 0;
    std::vector<std::uint8_t> payload = {static_cast<std::uint8_t>((nal[0] & 0x60) | 28),
                                         static_cast<std::uint8_t>(start | final | (nal[0] & 0x1f))};
    payload.insert(payload.end(), nal.begin() + static_cast<std::ptrdiff_t>(at),
                   nal.begin() + static_cast<std::ptrdiff_t>(end));
    add_packet(payload, final != 0);
    if (start != 0) frame_number_at_ = packets_.back() + rtp_header_octets + 2;
  }
}

std::size_t FrameShape::end_of(std::size_t index) const {
  return index + 1 == packets_.size() ? octets_.size() : packets_[index + 1] - (interleaved_ ? framing_octets : 0);
}

void FrameShape::find_runs() {
  std::size_t begin = 0;
  while (begin < packets_.size()) {
    const auto length = end_of(begin) - packets_[begin];
    auto end = begin + 1;
    while (end < packets_.size() && end - begin < most_run_packets && end_of(end - 1) - packets_[end - 1] == length &&
           end_of(end) - packets_[end] <= length)
      ++end;
    runs_.emplace_back(packets_[begin], end_of(end - 1) - packets_[begin]);
    begin = end;
  }
}

const std::vector<std::uint8_t>& FrameShape::stamp(const Stamp& stamp) {
  auto sequence = stamp.sequence;
  for (const auto at : packets_) {
    auto* packet = octets_.data() + at;
    if (interleaved_) *(packet - framing_octets + 1) = stamp.channel;
    write_u16(packet + 2, sequence++);
    write_u32(packet + 4, stamp.rtp_time);
    write_u32(packet + 8, stamp.ssrc);
  }
  stamp_frame_number(stamp.frame_in_gop);
  return octets_;
}

std::span<const std::uint8_t> FrameShape::stamp_packet(std::size_t index, const Stamp& stamp) {
  auto* packet = octets_.data() + packets_[index];
  write_u16(packet + 2, stamp.sequence);
  write_u32(packet + 4, stamp.rtp_time);
  write_u32(packet + 8, stamp.ssrc);
  stamp_frame_number(stamp.frame_in_gop);
  return {packet, end_of(index) - packets_[index]};
}

void FrameShape::stamp_frame_number(int frame_in_gop) {
  if (!key_) octets_[frame_number_at_] = static_cast<std::uint8_t>(0xe0 | (frame_in_gop & 31));
}

std::string describe_shape(const std::string& address) {
  return "v=0\r\no=- 1 1 IN IP4 " + address +
         "\r\ns=bench\r\nt=0 0\r\na=control:*\r\nm=video 0 RTP/AVP 96\r\nc=IN IP4 0.0.0.0\r\nb=AS:4300\r\n"
         "a=rtpmap:96 H264/90000\r\na=fmtp:96 packetization-mode=1;profile-level-id=4d001f;sprop-parameter-sets=" +
         sets_in_base64 + "\r\na=framerate:25\r\na=control:track\r\n";
}

}  // namespace tallywire::bench
