// What became of a source's sequence numbers: received, lost, late, doubled. The first packet counts
// (the sample code of RFC 3550 A.1 would drop it); duplicates are told apart instead of hiding losses.
#pragma once

#include <array>
#include <cstdint>

namespace tallywire::stream {

class SequenceLog {
 public:
  enum class Came { in_order, late, duplicate, refused, restarted };

  // `refused`: a jump beyond RFC 3550 A.1's limits that no second packet has confirmed. `restarted`: this packet
  // confirmed it, and counting has begun anew with both (the sample code would leave the first one out).
  // `past`: its RTP time is that of a packet some time ago. Such a one is late or doubled even beyond A.1's limit of
  // misorder, which a stream of many packets a second passes in less than a tenth of a second.
  Came add(std::uint16_t sequence, bool past = false);
  // After `restarted`: the source did not start again, the numbers between were lost. A loss of more than 65 535 packets
  // cannot be told by 16 bits; it counts as what is left of it.
  void count_jump_as_lost();
  // The next packet begins a new count; what lies between is neither lost nor a restart.
  void begin_anew();
  // Counts begin anew, the numbers go on: the next one in order is the first that is expected.
  void carry_on();
  // So many of the numbers that were skipped are known not to have been lost: the capture itself lacks them.
  void excuse(std::int64_t count) {
    past_expected_ -= count;
    excused_ += count;
  }
  std::int64_t excused() const { return excused_; }
  // Fetches what add() of this number will touch.
  void prefetch(std::uint16_t sequence) const {
    __builtin_prefetch(this, 1);
    __builtin_prefetch(&bits_[sequence % remembered / 64], 1);
  }

  std::int64_t expected() const { return past_expected_ + (any_ ? highest_ - base_ + 1 : 0); }
  std::int64_t received() const { return received_; }     // each number once
  std::int64_t lost() const { return expected() - received_; }
  std::int64_t late() const { return late_; }
  std::int64_t duplicates() const { return duplicates_; }
  std::int64_t restarts() const { return restarts_; }
  std::uint32_t extended_highest() const { return static_cast<std::uint32_t>(highest_); }
  // How many numbers were skipped just before the newest in-order packet.
  std::int64_t last_gap() const { return last_gap_; }

 private:
  static constexpr std::int64_t max_dropout = 3000;   // RFC 3550 A.1
  static constexpr std::int64_t max_misorder = 100;
  static constexpr std::int64_t max_past = 2000;      // and of these the numbers are still remembered
  static constexpr std::size_t remembered = 4096;      // numbers; more than max_dropout

  void restart(std::uint16_t sequence);
  bool seen(std::int64_t number) const;
  void mark(std::int64_t number, bool here);

  // Touched by every packet.
  bool any_ = false;
  bool carried_ = false;      // `base_` is not the first number of the source
  std::int64_t highest_ = 0;  // extended
  std::int64_t received_ = 0;
  std::int64_t last_gap_ = 0;
  std::int64_t refused_next_ = -1;

  std::int64_t base_ = 0;
  std::int64_t past_expected_ = 0;
  std::int64_t late_ = 0;
  std::int64_t duplicates_ = 0;
  std::int64_t restarts_ = 0;
  std::int64_t excused_ = 0;
  std::int64_t jump_ = 0;  // numbers skipped at the newest restart, modulo 65 536
  std::array<std::uint64_t, remembered / 64> bits_{};
};

}  // namespace tallywire::stream
