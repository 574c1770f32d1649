#include "probes/wire/rtp.hpp"

#include <algorithm>

namespace tallywire::wire {

namespace {

constexpr std::size_t fixed_header = 12;

void read_fixed_header(Octets packet, RtpPacket& out) {
  out.marker = packet[1] & 0x80;
  out.payload_type = packet[1] & 0x7f;
  out.sequence = static_cast<std::uint16_t>(packet[2] << 8 | packet[3]);
  OctetReader reader(packet.subspan(4));
  out.timestamp = reader.u32();
  out.ssrc = reader.u32();
}

// What follows the fixed header, up to the payload.
void read_rest_of_header(Octets packet, OctetReader& reader, RtpPacket& out) {
  reader.skip(std::size_t{4} * (packet[0] & 0x0f));
  if (packet[0] & 0x10) {
    out.extended = true;
    out.extension_profile = reader.u16();
    out.extension = reader.take(std::size_t{4} * reader.u16());
  }
}

}  // namespace

std::optional<RtpPacket> decode_rtp(Octets packet) {
  if (packet.size() < fixed_header || packet[0] >> 6 != 2) return std::nullopt;
  RtpPacket out;
  read_fixed_header(packet, out);
  OctetReader reader(packet.subspan(fixed_header));
  read_rest_of_header(packet, reader, out);
  if (!reader.ok()) return std::nullopt;
  std::size_t length = reader.left();
  if (packet[0] & 0x20) {
    const std::size_t padding = packet.back();
    if (padding == 0 || padding > length) return std::nullopt;
    length -= padding;
  }
  out.payload = reader.take(length);
  return out;
}

std::optional<CutRtpPacket> decode_cut_rtp(Octets captured, std::size_t whole_octets) {
  if (captured.size() < fixed_header || captured[0] >> 6 != 2) return std::nullopt;
  CutRtpPacket out;
  read_fixed_header(captured, out.packet);
  OctetReader reader(captured.subspan(fixed_header));
  read_rest_of_header(captured, reader, out.packet);
  if (reader.ok()) {
    out.payload_octets = whole_octets - (captured.size() - reader.left());
    out.packet.payload = reader.take(reader.left());
    return out;
  }
  // Cut within the header: as much is payload as the fixed part leaves, but for what its own counts tell.
  const std::size_t told = fixed_header + std::size_t{4} * (captured[0] & 0x0f);
  if (told > whole_octets) return std::nullopt;
  out.packet.extended = false;
  out.packet.extension = {};
  out.payload_octets = whole_octets - told;
  return out;
}

bool looks_like_rtcp(Octets packet) {
  if (packet.size() < 8 || packet[0] >> 6 != 2) return false;
  const int type = packet[1] & 0x7f;
  return type >= 64 && type <= 95;
}

void SequenceValidity::restart(std::uint16_t sequence) {
  base_ = sequence;
  highest_ = sequence;
  bad_ = 0x10001;
  cycles_ = 0;
  received_ = 0;
}

bool SequenceValidity::update(std::uint16_t sequence) {
  if (!seen_any_) {
    seen_any_ = true;
    restart(sequence);
    highest_ = static_cast<std::uint16_t>(sequence - 1);
  }
  const auto delta = static_cast<std::uint16_t>(sequence - highest_);
  if (probation_ > 0) {
    if (delta == 1) {
      highest_ = sequence;
      if (--probation_ == 0) {
        restart(sequence);
        ++received_;
        return true;
      }
    } else {
      probation_ = min_sequential - 1;
      highest_ = sequence;
    }
    return false;
  }
  if (delta < max_dropout) {
    if (sequence < highest_) cycles_ += 0x10000;
    highest_ = sequence;
  } else if (delta <= 0x10000 - max_misorder) {
    if (sequence != bad_) {
      bad_ = static_cast<std::uint16_t>(sequence + 1);
      return false;
    }
    restart(sequence);  // two in sequence after a jump: the other side has started again
  }
  ++received_;
  return true;
}

std::uint8_t fraction_lost(std::int64_t expected, std::int64_t lost) {
  if (expected <= 0 || lost <= 0) return 0;
  return static_cast<std::uint8_t>(std::min<std::int64_t>(255, lost * 256 / expected));
}

std::int32_t clamp_cumulative(std::int64_t lost) {
  return static_cast<std::int32_t>(std::clamp<std::int64_t>(lost, -0x800000, 0x7fffff));
}

}  // namespace tallywire::wire
