// UDP flows by their ends: one cache line each, found by one look in nearly every case. The table grows with the flows;
// flows that carry no media are forgotten when they are too many. No I/O; one thread at a time.
#pragma once

#include "probes/tap/source.hpp"
#include "probes/wire/datagram.hpp"

#include <cstdint>
#include <memory>
#include <optional>
#include <vector>

namespace tallywire::tap {

// Packets of one SSRC that are not believed yet (RFC 3550 A.1: a source is valid after packets in sequence).
struct Candidate {
  struct Packet {
    std::size_t begin = 0, size = 0;  // in the candidate's `octets`
    std::size_t whole_octets = 0;
    double wire_octets = 0;
    SystemTime when{};
  };
  std::uint32_t ssrc = 0;
  std::uint16_t next_sequence = 0;
  std::uint32_t last_time = 0;
  int in_sequence = 0;
  int near = 0;                      // packets in a row that are near the one before in number and time
  std::vector<Packet> packets;
  std::vector<std::uint8_t> octets;  // of all packets, one after another
};

// What a flow needs beyond its cache line.
struct FlowMemory {
  std::vector<std::pair<std::uint32_t, Source*>> sources;  // by SSRC
  std::vector<Candidate> candidates;
  std::shared_ptr<const AnnouncedMedium> medium;           // an RTSP session set it up
  std::uint64_t announcements_seen = 0;                    // version
  std::vector<std::uint32_t> refused;                      // SSRCs beyond what the tap may hold
};

struct alignas(64) FlowSlot {
  wire::Flow flow;
  std::uint32_t ssrc = 0;      // of `source`
  bool used = false;
  Source* source = nullptr;    // the one that sent last
  std::unique_ptr<FlowMemory> memory;
};
static_assert(sizeof(FlowSlot) == 64);

class FlowTable {
 public:
  static constexpr std::size_t most_flows = 1 << 16;  // strangers are forgotten beyond; media are not

  FlowTable();
  void prefetch(std::size_t hash) const { __builtin_prefetch(&slots_[hash & mask_]); }
  // Null when it is not there.
  FlowSlot* find(const wire::Flow& flow, std::size_t hash);
  // Whether flows that carry no media must be forgotten before another is made.
  bool full() const { return size_ * 2 >= slots_.size() && size_ >= most_flows; }
  // Places move when this makes one; `generation` tells.
  FlowSlot& find_or_make(const wire::Flow& flow, std::size_t hash);
  std::uint64_t generation() const { return generation_; }
  // Keeps the flows that `keep` wants, which may change what is in a slot; places move.
  template <class Keep>
  void retain(Keep&& keep) {
    for (auto& slot : slots_)
      if (slot.used && !keep(slot)) {
        slot = FlowSlot();
        --size_;
      }
    auto size = slots_.size();
    while (size > first_size && size_ * 4 <= size / 2) size /= 2;
    rebuild(size);
  }
  template <class Look>
  void each(Look&& look) {
    for (auto& slot : slots_)
      if (slot.used) look(slot);
  }

 private:
  static constexpr std::size_t first_size = 256;
  void rebuild(std::size_t size);
  std::vector<FlowSlot> slots_;
  std::size_t mask_;
  std::size_t size_ = 0;
  std::uint64_t generation_ = 0;
};

}  // namespace tallywire::tap
