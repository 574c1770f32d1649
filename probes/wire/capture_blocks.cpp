// The half of CaptureDecoder that reads pcapng (draft-ietf-opsawg-pcapng); sections of that draft.
#include "probes/wire/capture_format.hpp"

#include <algorithm>
#include <limits>

namespace tallywire::wire {
namespace {

constexpr std::uint32_t section_header = 0x0a0d0d0a;  // §4.1, reads alike in both byte orders
constexpr std::uint32_t interface_description = 1;    // §4.2
constexpr std::uint32_t packet = 2;                   // appendix, obsolete
constexpr std::uint32_t simple_packet = 3;            // §4.4
constexpr std::uint32_t interface_statistics = 5;     // §4.6
constexpr std::uint32_t enhanced_packet = 6;          // §4.3
constexpr std::uint32_t byte_order_magic = 0x1a2b3c4d;
constexpr std::size_t smallest_block = 12;  // type, length, length again

// Octets of a block up to its options, without the length at its end.
constexpr std::size_t section_fields = 24, interface_fields = 16, packet_fields = 28, simple_fields = 12,
                      statistics_fields = 20;

constexpr std::uint16_t if_tsresol = 9, if_fcslen = 13, if_tsoffset = 14;
constexpr std::uint16_t isb_ifdrop = 5, isb_osdrop = 7;
constexpr std::uint16_t epb_flags = 2, epb_dropcount = 4;

constexpr std::int64_t second_ns = 1'000'000'000;
constexpr std::int64_t latest = std::numeric_limits<std::int64_t>::max();
constexpr std::int64_t earliest = std::numeric_limits<std::int64_t>::min();

std::uint64_t power_of_ten(unsigned exponent) {
  std::uint64_t out = 1;
  while (exponent-- > 0) out *= 10;
  return out;
}

std::uint64_t add_held(std::uint64_t a, std::uint64_t b) {
  std::uint64_t out;
  return __builtin_add_overflow(a, b, &out) ? std::numeric_limits<std::uint64_t>::max() : out;
}

// "An 8-bit unsigned integer value that specifies the length of the Frame Check Sequence (in bits)", and then the
// draft's own example for Ethernet is 4: small numbers are octets.
std::uint32_t fcs_octets_of(std::uint8_t told) {
  if (told < 8) return told;
  return told % 8 == 0 ? told / 8u : 0;
}

bool is_looked_into(std::uint32_t type) {
  return type == section_header || type == interface_description || type == packet || type == simple_packet ||
         type == interface_statistics || type == enhanced_packet;
}

}  // namespace

TickLength::TickLength(std::uint8_t resolution, std::int64_t offset_s) : offset_s_(offset_s), resolution_(resolution) {
  if (resolution > 9) return;  // finer than nanoseconds, or a power of two: by hand
  if (__builtin_mul_overflow(offset_s, second_ns, &offset_ns_)) return;
  factor_ = power_of_ten(9u - resolution);
  below_ = static_cast<std::uint64_t>(latest - std::max<std::int64_t>(offset_ns_, 0)) / factor_ + 1;
}

std::int64_t TickLength::by_hand(std::uint64_t ticks) const {
  __extension__ using Wide = __int128;
  const unsigned exponent = resolution_ & 0x7f;
  Wide out = 0;
  if (resolution_ & 0x80) {
    const std::uint64_t whole = exponent < 64 ? ticks >> exponent : 0;
    const std::uint64_t part = exponent < 64 ? ticks & ((std::uint64_t{1} << exponent) - 1) : ticks;
    out = Wide{whole} * second_ns + (Wide{part} * second_ns >> exponent);
  } else if (exponent <= 9) {
    out = Wide{ticks} * static_cast<std::int64_t>(power_of_ten(9 - exponent));
  } else if (exponent <= 28) {  // beyond it, 64 bits of ticks are no nanosecond
    out = ticks / power_of_ten(exponent - 9);
  }
  out += Wide{offset_s_} * second_ns;
  return static_cast<std::int64_t>(std::clamp<Wide>(out, earliest, latest));
}

void CaptureDecoder::decode_pcapng(Octets octets, std::span<CaptureRecord> out, Turn& turn) {
  while (turn.records < out.size()) {
    const Octets left = octets.subspan(turn.used);
    std::size_t length = 0;
    if (skip_left_ > 0) {
      length = static_cast<std::size_t>(std::min<std::uint64_t>(skip_left_, left.size()));
      skip_left_ -= length;
      if (skip_left_ > 0) turn.wanted = 1;
    } else {
      const Step step = decode_block(left, out[turn.records], length, turn);
      if (step == Step::more || step == Step::damaged) return;
      if (step == Step::record) ++turn.records;
    }
    turn.used += length;
    at_ += length;
    if (turn.wanted) return;
  }
}

CaptureDecoder::Step CaptureDecoder::decode_block(Octets octets, CaptureRecord& out, std::size_t& length, Turn& turn) {
  if (octets.size() < smallest_block) {
    turn.wanted = smallest_block;
    return Step::more;
  }
  const std::uint32_t type = u32(octets.data());
  if (type == section_header) {
    swapped_ = false;
    const auto magic = u32(&octets[8]);
    swapped_ = magic != byte_order_magic;
    if (swapped_ && magic != __builtin_bswap32(byte_order_magic)) return damaged("a section without its byte order");
  }
  const std::uint32_t told = u32(&octets[4]);
  if (told < smallest_block || told % 4 != 0) return damaged("a block of " + std::to_string(told) + " octets cannot be");
  if (told > largest_block_octets) {
    if (is_looked_into(type)) return damaged("a block of " + std::to_string(told) + " octets is too large");
    skip_left_ = told;
    return Step::done;
  }
  if (octets.size() < told) {
    turn.wanted = told;
    return Step::more;
  }
  if (u32(&octets[told - 4]) != told) return damaged("a block ends with another length than it begins with");
  length = told;
  const Octets block = octets.first(told - 4);
  switch (type) {
    case enhanced_packet:
    case simple_packet:
    case packet: return decode_packet(block, type, out);
    case section_header: return begin_section(block);
    case interface_description: return add_interface(block);
    case interface_statistics: add_statistics(block); return Step::done;
    default: return Step::done;
  }
}

CaptureDecoder::Step CaptureDecoder::begin_section(Octets block) {
  if (block.size() < section_fields) return damaged("a section header is too short");
  const auto major = u16(&block[12]), minor = u16(&block[14]);
  if (major != 1 || (minor != 0 && minor != 2)) {  // 1.2 is to be read as 1.0
    return damaged("a section of version " + std::to_string(major) + "." + std::to_string(minor) + ", which is not read");
  }
  for (const auto& interface : interfaces_) add_lost(lost_before_, interface);
  interfaces_.clear();
  return Step::done;
}

// Each gets the code and the value of an option. False when the list does not fit into its block (§3.5).
template <class Each>
bool CaptureDecoder::for_each_option(Octets options, Each each) const {
  while (options.size() >= 4) {
    const auto code = u16(options.data());
    const std::size_t length = u16(&options[2]);
    if (code == 0) return true;
    const std::size_t padded = 4 + (length + 3) / 4 * 4;
    if (padded > options.size()) return false;
    each(code, options.subspan(4, length));
    options = options.subspan(padded);
  }
  return options.empty();
}

CaptureDecoder::Step CaptureDecoder::add_interface(Octets block) {
  if (block.size() < interface_fields) return damaged("an interface description is too short");
  if (interfaces_.size() == most_interfaces) return damaged("more than 65536 interfaces in one section");
  Interface out;
  out.link_type = u16(&block[8]);
  out.link = link_layer_of(out.link_type);
  out.snap_octets = u32(&block[12]);
  std::uint8_t resolution = 6;
  std::uint64_t offset_s = 0;
  bool fits = true;
  const bool whole = for_each_option(block.subspan(interface_fields), [&](std::uint16_t code, Octets value) {
    if (code == if_tsresol) value.size() == 1 ? void(resolution = value[0]) : void(fits = false);
    if (code == if_tsoffset) value.size() == 8 ? void(offset_s = u64(value.data())) : void(fits = false);
    if (code == if_fcslen && value.size() == 1) out.fcs_octets = fcs_octets_of(value[0]);
  });
  // Times would be wrong by factors if what stands there were passed over.
  if (!whole || !fits) return damaged("the options of an interface description do not fit");
  out.tick = TickLength(resolution, static_cast<std::int64_t>(offset_s));
  interfaces_.push_back(out);
  return Step::done;
}

void CaptureDecoder::add_statistics(Octets block) {
  if (block.size() < statistics_fields) return;
  const auto id = u32(&block[8]);
  if (id >= interfaces_.size()) return;
  auto& interface = interfaces_[id];
  // Counts since the capture began: the last of several is the largest.
  for_each_option(block.subspan(statistics_fields), [&](std::uint16_t code, Octets value) {
    if (value.size() != 8) return;
    auto& count = code == isb_ifdrop ? interface.dropped_by_interface : interface.dropped_by_system;
    if (code != isb_ifdrop && code != isb_osdrop) return;
    count = std::max(count, u64(value.data()));
    tells_lost_ = true;
  });
}

CaptureDecoder::Step CaptureDecoder::decode_packet(Octets block, std::uint32_t type, CaptureRecord& out) {
  const bool simple = type == simple_packet;
  const std::size_t fields = simple ? simple_fields : packet_fields;
  if (block.size() < fields) return damaged("a packet block is too short");
  const std::uint32_t id = simple ? 0 : type == packet ? u16(&block[8]) : u32(&block[8]);
  if (id >= interfaces_.size()) return damaged("a frame of an interface that is not described");
  auto& interface = interfaces_[id];
  const std::uint32_t original = u32(&block[fields - 4]);
  std::uint32_t captured;
  if (simple) {
    // Its captured length is not told (§4.4): what was on the wire, cut where the interface cuts.
    captured = interface.snap_octets ? std::min(original, interface.snap_octets) : original;
    if (captured > block.size() - fields) return damaged("a frame is longer than its block");
  } else {
    captured = u32(&block[fields - 8]);
  }
  if (captured > largest_frame_octets) return damaged("a frame of " + std::to_string(captured) + " octets cannot be");
  const std::size_t padded = (std::size_t{captured} + 3) / 4 * 4;
  if (fields + padded > block.size()) return damaged("a frame is longer than its block");
  std::uint32_t fcs_octets = interface.fcs_octets;
  if (!simple && fields + padded < block.size()) [[unlikely]] {
    read_packet_options(block.subspan(fields + padded), type == enhanced_packet, interface, fcs_octets);
  }
  if (type == packet && u16(&block[10]) != 0xffff) {
    interface.dropped_between = add_held(interface.dropped_between, u16(&block[10]));
  }
  put_record(block.subspan(fields, captured), original, fcs_octets, interface, out);
  const auto ticks = simple ? 0 : std::uint64_t{u32(&block[12])} << 32 | u32(&block[16]);
  out.when = simple ? SystemTime{} : SystemTime(std::chrono::nanoseconds(interface.tick.nanoseconds(ticks)));
  return Step::record;
}

// The frame stands before them: options that do not fit cost it nothing.
void CaptureDecoder::read_packet_options(Octets options, bool enhanced, Interface& interface,
                                         std::uint32_t& fcs_octets) {
  for_each_option(options, [&](std::uint16_t code, Octets value) {
    if (code == epb_flags && value.size() == 4) {
      if (const auto told = u32(value.data()) >> 5 & 0xf) fcs_octets = told;  // §4.3.1: 0 is "not told"
    }
    if (enhanced && code == epb_dropcount && value.size() == 8) {
      interface.dropped_between = add_held(interface.dropped_between, u64(value.data()));
    }
  });
}

void CaptureDecoder::add_lost(FramesLost& sum, const Interface& interface) {
  const auto told = add_held(interface.dropped_by_interface, interface.dropped_by_system);
  auto by_system = interface.dropped_by_system;
  if (interface.dropped_between > told) by_system += interface.dropped_between - told;
  sum.by_interface = add_held(sum.by_interface, interface.dropped_by_interface);
  sum.by_system = add_held(sum.by_system, by_system);
}

FramesLost CaptureDecoder::lost() const {
  FramesLost out = lost_before_;
  for (const auto& interface : interfaces_) add_lost(out, interface);
  return out;
}

}  // namespace tallywire::wire
