// Capture files as octets, without reading any: pcap (draft-ietf-opsawg-pcap) and pcapng (draft-ietf-opsawg-pcapng),
// both byte orders. Told apart by their first octets; everything is fed to one decoder, in pieces of any size.
#pragma once

#include "probes/reading.hpp"
#include "probes/wire/datagram.hpp"
#include "probes/wire/octets.hpp"

#include <algorithm>
#include <cstdint>
#include <cstring>
#include <optional>
#include <span>
#include <string>
#include <vector>

namespace tallywire::wire {

// One frame of a capture file, without its frame check sequence where the file tells that it was captured.
struct CaptureRecord {
  Octets octets;                      // a view into what was decoded
  std::uint32_t original_octets = 0;  // on the wire; at least octets.size()
  LinkLayer link = LinkLayer::unknown;
  SystemTime when{};                  // the epoch itself where the file tells no time (Simple Packet Blocks)
};

struct CaptureDamage {
  std::uint64_t offset = 0;  // of the record or block that cannot be read, from the first octet that was fed
  std::string what;          // "a frame of 4294967295 octets cannot be"
};

// Time stamps of one interface in nanoseconds: if_tsresol and if_tsoffset of pcapng §4.2. Held at the ends of what 64
// bits can tell, the years 1677 to 2262.
class TickLength {
 public:
  TickLength() : TickLength(6, 0) {}
  TickLength(std::uint8_t resolution, std::int64_t offset_s);
  std::int64_t nanoseconds(std::uint64_t ticks) const {
    if (ticks < below_) [[likely]] return static_cast<std::int64_t>(ticks * factor_) + offset_ns_;
    return by_hand(ticks);
  }

 private:
  std::int64_t by_hand(std::uint64_t ticks) const;
  std::uint64_t factor_ = 1;
  std::uint64_t below_ = 0;  // of these, the product and the sum fit; 0: none is that simple
  std::int64_t offset_ns_ = 0;
  std::int64_t offset_s_ = 0;
  std::uint8_t resolution_ = 6;
};

// Frames that the capture lost, as it tells itself: Interface Statistics Blocks, or the counts between packets where
// they tell more.
struct FramesLost {
  std::uint64_t by_system = 0;
  std::uint64_t by_interface = 0;
};

class CaptureDecoder {
 public:
  // libpcap's MAXIMUM_SNAPLEN: a longer frame is damage.
  static constexpr std::uint32_t largest_frame_octets = 262'144;
  // A block that is looked into must stand in memory as a whole; others may have any length.
  static constexpr std::uint32_t largest_block_octets = 524'288;
  static constexpr std::size_t most_interfaces = 65'536;  // in one section
  static constexpr std::size_t most_unknown_links = 64;   // kept

  struct Turn {
    std::size_t records = 0;  // written to the front of `out`
    std::size_t used = 0;     // octets that were dealt with; the next call begins behind them
    // More than what is left is needed: so many octets from there on, at most largest_block_octets. 0: `out` is full,
    // or there is damage.
    std::size_t wanted = 0;
  };
  // Decodes from the front of `octets`. After damage it gives nothing more.
  Turn decode(Octets octets, std::span<CaptureRecord> out);
  // Nothing follows `rest`, what the last turn left over: damage when something was begun.
  void end(Octets rest);

  enum class Format : std::uint8_t { undecided, pcap, pcapng, neither };
  Format format() const { return format_; }  // neither: damage() tells
  bool nanoseconds() const { return to_nanoseconds_ == 1; }  // of a pcap
  const std::optional<CaptureDamage>& damage() const { return damage_; }
  std::uint64_t octets_used() const { return at_; }  // of all that was fed; where damage is
  FramesLost lost() const;
  // Whether the file tells at all what was lost: a pcap never does, a pcapng may.
  bool tells_lost() const { return tells_lost_; }
  // Link types of frames that are `unknown`, each once, the first most_unknown_links.
  const std::vector<std::uint32_t>& unknown_links() const { return unknown_links_; }

 private:
  struct Interface {
    TickLength tick;
    LinkLayer link = LinkLayer::unknown;
    std::uint32_t link_type = 0;
    std::uint32_t snap_octets = 0;  // 0: no limit
    std::uint32_t fcs_octets = 0;
    std::uint64_t dropped_by_system = 0, dropped_by_interface = 0, dropped_between = 0;
  };
  enum class Step : std::uint8_t { done, record, more, damaged };

  // Numbers in the byte order of the file.
  template <class Number>
  static Number load(const std::uint8_t* at) {
    Number out;
    std::memcpy(&out, at, sizeof out);
    return out;
  }
  std::uint16_t u16(const std::uint8_t* at) const {
    const auto value = load<std::uint16_t>(at);
    return swapped_ ? __builtin_bswap16(value) : value;
  }
  std::uint32_t u32(const std::uint8_t* at) const {
    const auto value = load<std::uint32_t>(at);
    return swapped_ ? __builtin_bswap32(value) : value;
  }
  std::uint64_t u64(const std::uint8_t* at) const {
    const auto value = load<std::uint64_t>(at);
    return swapped_ ? __builtin_bswap64(value) : value;
  }
  Turn decide(Octets octets);
  Turn begin_pcap(Octets octets);
  void decode_pcap(Octets octets, std::span<CaptureRecord> out, Turn& turn);
  void decode_pcapng(Octets octets, std::span<CaptureRecord> out, Turn& turn);
  Step decode_block(Octets octets, CaptureRecord& out, std::size_t& length, Turn& turn);
  Step decode_packet(Octets block, std::uint32_t type, CaptureRecord& out);
  Step begin_section(Octets block);
  Step add_interface(Octets block);
  void add_statistics(Octets block);
  void read_packet_options(Octets options, bool enhanced, Interface& interface, std::uint32_t& fcs_octets);
  template <class Each>
  bool for_each_option(Octets options, Each each) const;
  void put_record(Octets captured, std::uint32_t original, std::uint32_t fcs_octets, const Interface& interface,
                  CaptureRecord& out);
  void note_unknown(std::uint32_t link_type);
  Step damaged(std::string what);
  static void add_lost(FramesLost& sum, const Interface& interface);

  Format format_ = Format::undecided;
  bool swapped_ = false;  // against this machine
  bool tells_lost_ = false;
  std::uint32_t record_header_octets_ = 16;
  std::int64_t to_nanoseconds_ = 1000;
  std::uint64_t at_ = 0;         // what was used before this call, and in it
  std::uint64_t skip_left_ = 0;  // of a block that nobody looks into
  std::vector<Interface> interfaces_;  // of this section; of a pcap, the one
  FramesLost lost_before_;             // in the sections before
  std::vector<std::uint32_t> unknown_links_;
  std::optional<CaptureDamage> damage_;
};

inline void CaptureDecoder::put_record(Octets captured, std::uint32_t original, std::uint32_t fcs_octets,
                                       const Interface& interface, CaptureRecord& out) {
  auto size = static_cast<std::uint32_t>(captured.size());
  original = std::max(original, size);
  if (fcs_octets) {
    original -= std::min(original, fcs_octets);
    size = std::min(size, original);
  }
  out.octets = captured.first(size);
  out.original_octets = original;
  out.link = interface.link;
  if (interface.link == LinkLayer::unknown) [[unlikely]] note_unknown(interface.link_type);
}

}  // namespace tallywire::wire
