#include "probes/wire/capture_format.hpp"

#include <algorithm>
#include <cstring>

namespace tallywire::wire {
namespace {

constexpr std::uint32_t magic_microseconds = 0xa1b2c3d4;
constexpr std::uint32_t magic_nanoseconds = 0xa1b23c4d;
// Eight octets more in each record header. Not in the draft; libpcap and Wireshark read it ("modified"), and some
// routers write it.
constexpr std::uint32_t magic_modified = 0xa1b2cd34;
constexpr std::size_t pcap_header_octets = 24;

// LinkType and additional information, draft-ietf-opsawg-pcap §4.
constexpr std::uint32_t fcs_present = 0x0400'0000;
constexpr std::uint32_t reserved_bits = 0x0bff'0000;

// As the magic number stands in a file of the other byte order.
constexpr std::uint32_t turned(std::uint32_t value) { return __builtin_bswap32(value); }

std::string version_text(std::uint16_t major, std::uint16_t minor) {
  return std::to_string(major) + "." + std::to_string(minor);
}

}  // namespace

CaptureDecoder::Step CaptureDecoder::damaged(std::string what) {
  damage_ = CaptureDamage{at_, std::move(what)};
  return Step::damaged;
}

CaptureDecoder::Turn CaptureDecoder::decode(Octets octets, std::span<CaptureRecord> out) {
  Turn turn;
  if (damage_) return turn;
  if (format_ == Format::undecided) {
    turn = decide(octets);
    if (format_ == Format::undecided || damage_) return turn;
  }
  if (format_ == Format::pcap) {
    decode_pcap(octets, out, turn);
  } else if (format_ == Format::pcapng) {
    decode_pcapng(octets, out, turn);
  }
  return turn;
}

void CaptureDecoder::end(Octets rest) {
  if (damage_ || (rest.empty() && skip_left_ == 0 && format_ != Format::undecided)) return;
  damaged("the file is cut off in the middle of " + std::string(format_ == Format::undecided ? "its header"
                                                                : format_ == Format::pcap    ? "a frame"
                                                                                             : "a block"));
}

CaptureDecoder::Turn CaptureDecoder::decide(Octets octets) {
  if (octets.size() < 4) return {.wanted = 4};
  const auto magic = load<std::uint32_t>(octets.data());  // swapped_ may be set from a try with fewer octets
  if (magic == 0x0a0d0d0a) {
    // The byte order stands behind it; decode_pcapng finds it.
    if (octets.size() < 12) return {.wanted = 12};
    format_ = Format::pcapng;
    return {};
  }
  for (const auto known : {magic_microseconds, magic_nanoseconds, magic_modified}) {
    if (magic != known && magic != turned(known)) continue;
    swapped_ = magic != known;
    to_nanoseconds_ = known == magic_nanoseconds ? 1 : 1000;
    record_header_octets_ = known == magic_modified ? 24 : 16;
    return begin_pcap(octets);
  }
  format_ = Format::neither;
  damaged("its first octets are those of no capture");
  return {};
}

CaptureDecoder::Turn CaptureDecoder::begin_pcap(Octets octets) {
  if (octets.size() < pcap_header_octets) return {.wanted = pcap_header_octets};
  const auto major = u16(&octets[4]), minor = u16(&octets[6]);
  const auto link = u32(&octets[20]);
  // Before 2.4 the two lengths stood in another order, or in either (libpcap, sf-pcap.c); nothing writes that any more.
  if (major != 2 || minor < 4) {
    format_ = Format::neither;
    damaged("it is a pcap of version " + version_text(major, minor) + ", which is not read");
    return {};
  }
  if (link & reserved_bits) {
    format_ = Format::neither;
    damaged("the header of the pcap sets bits that have no meaning");
    return {};
  }
  format_ = Format::pcap;
  Interface one;
  one.link_type = link & 0xffff;
  one.link = link_layer_of(one.link_type);
  if (link & fcs_present) one.fcs_octets = (link >> 28) * 2;  // told in 16-bit words
  interfaces_.push_back(one);
  at_ += pcap_header_octets;
  return {.used = pcap_header_octets};
}

void CaptureDecoder::note_unknown(std::uint32_t link_type) {
  if (unknown_links_.size() >= most_unknown_links) return;
  if (std::find(unknown_links_.begin(), unknown_links_.end(), link_type) != unknown_links_.end()) return;
  unknown_links_.push_back(link_type);
}

// draft-ietf-opsawg-pcap §5.
void CaptureDecoder::decode_pcap(Octets octets, std::span<CaptureRecord> out, Turn& turn) {
  const Interface& interface = interfaces_.front();
  const std::size_t header = record_header_octets_;
  const std::size_t begun = turn.used;
  const std::uint8_t* record = octets.data() + turn.used;
  std::size_t left = octets.size() - turn.used;
  while (turn.records < out.size()) {
    if (left < header) {
      turn.wanted = header;
      break;
    }
    const std::uint32_t captured = u32(record + 8);
    if (captured > largest_frame_octets) [[unlikely]] {
      at_ += octets.size() - left - begun;
      turn.used = octets.size() - left;
      damaged("a frame of " + std::to_string(captured) + " octets cannot be");
      return;
    }
    if (left < header + captured) {
      turn.wanted = header + captured;
      break;
    }
    CaptureRecord& to = out[turn.records++];
    put_record({record + header, captured}, u32(record + 12), interface.fcs_octets, interface, to);
    to.when = SystemTime(std::chrono::nanoseconds(std::int64_t{u32(record)} * 1'000'000'000 +
                                                  std::int64_t{u32(record + 4)} * to_nanoseconds_));
    record += header + captured;
    left -= header + captured;
  }
  turn.used = octets.size() - left;
  at_ += turn.used - begun;
}

}  // namespace tallywire::wire
