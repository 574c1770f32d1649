// One direction of a TCP connection as a tap sees it: segments in, the octets in order out (RFC 9293 §3.4). TCP delivers
// everything, so a hole that stays is one of the capture, not of the network; it is told as such. Segments out of order
// are kept, up to a ceiling; what came before is dropped. No I/O; one thread at a time.
#pragma once

#include "probes/wire/octets.hpp"

#include <chrono>
#include <cstdint>
#include <deque>
#include <optional>
#include <vector>

namespace tallywire::wire {

class TcpReassembly {
 public:
  using Time = std::chrono::nanoseconds;
  // A hole is given up when the receiver has acknowledged what is in it and a little time has passed (a mirror port may
  // show the two directions out of order), or when nobody filled it for as long as a sender would retransmit.
  static constexpr Time acknowledged_patience = std::chrono::milliseconds(500);
  static constexpr Time patience = std::chrono::seconds(10);
  static constexpr std::size_t most_kept = 1024 * 1024;  // octets behind a hole, with what keeping a segment costs
  static constexpr std::size_t cost_of_segment = 128;
  static constexpr std::uint64_t farthest = 64 * 1024 * 1024;  // a number farther off belongs to another connection

  TcpReassembly() = default;
  ~TcpReassembly() { give_back(kept_octets_); }
  TcpReassembly(const TcpReassembly&) = delete;
  TcpReassembly& operator=(const TcpReassembly&) = delete;
  // All connections of a tap share one account of what they keep; beyond its ceiling holes are given up at once.
  struct Account {
    std::size_t kept_octets = 0;
    std::size_t most_octets = 64 * 1024 * 1024;
  };
  void share(Account& account) { account_ = &account; }  // before the first segment; it outlives this
  // As if nothing had come; counts go on.
  void restart();

  struct Segment {
    std::uint32_t sequence = 0;
    bool syn = false;
    Octets payload;                     // as far as it was captured
    std::uint32_t payload_octets = 0;   // on the wire
    Time at{};
  };
  // What can be read next: octets in order, then a hole of so many octets that the capture does not have. `anew`: another
  // connection began in place of this one; nothing goes on from what came before.
  struct Piece {
    Octets octets;  // valid until the next call
    std::uint64_t missing = 0;
    bool anew = false;
    // When it could be read: when its segment came; what stood behind a hole that was filled, when that was.
    Time at{};
  };

  // Takes a segment; then next() until it answers none.
  void add(const Segment& segment);
  std::optional<Piece> next();
  // The other side has acknowledged all before this number.
  void acknowledged(std::uint32_t number, Time at);
  // Holes that have been there for too long are given up at the next next().
  void look_at_clock(Time now);
  // No more segments come: every hole is one of the capture.
  void finish() { finished_ = true; }

  std::size_t kept_octets() const { return kept_octets_; }
  std::uint64_t segments() const { return segments_; }               // with payload, that carried something new
  std::uint64_t payload_octets() const { return payload_octets_; }   // of these
  std::uint64_t retransmitted_segments() const { return retransmitted_; }
  // Of segments that the capture does not have; not of those that it has cut.
  std::uint64_t missing_octets() const { return missing_octets_; }
  std::uint64_t holes() const { return holes_; }

 private:
  struct Kept {
    std::uint64_t begin = 0;  // extended number
    std::vector<std::uint8_t> octets;
    Time at{};
    std::uint64_t end = 0;    // begin + its length on the wire: the capture may have cut it
  };
  std::uint64_t extended(std::uint32_t number) const;
  void begin(std::uint32_t sequence);
  void keep(std::uint64_t begin, Octets octets, std::uint64_t end, Time at);
  bool hole_is_given_up() const;
  void account_for(std::size_t octets);
  void give_back(std::size_t octets);
  std::optional<Piece> give(Octets octets, std::uint64_t end, Time at);

  Account* account_ = nullptr;
  bool started_ = false, finished_ = false, anew_ = false;
  std::uint32_t first_number_ = 0;
  std::uint64_t next_ = 0;              // number of the next octet that is waited for, extended
  Octets fresh_;                        // in order, not copied
  std::uint64_t fresh_end_ = 0;
  Time fresh_at_{};
  bool has_fresh_ = false;
  std::deque<Kept> kept_;               // behind a hole, by begin
  std::size_t kept_octets_ = 0;
  std::vector<std::uint8_t> out_;
  std::uint64_t acknowledged_ = 0;
  Time acknowledged_at_{}, hole_since_{}, filled_at_{}, now_{};
  std::uint64_t segments_ = 0, payload_octets_ = 0, retransmitted_ = 0, missing_octets_ = 0, holes_ = 0;
};

}  // namespace tallywire::wire
