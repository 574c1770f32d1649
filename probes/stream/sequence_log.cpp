#include "probes/stream/sequence_log.hpp"

namespace tallywire::stream {

void SequenceLog::restart(std::uint16_t sequence) {
  if (any_) {
    past_expected_ += highest_ - base_ + 1;
    ++restarts_;
    jump_ = static_cast<std::uint16_t>(sequence - static_cast<std::uint16_t>(highest_) - 1);
  }
  any_ = true;
  carried_ = false;
  base_ = highest_ = sequence;
  last_gap_ = 0;
  refused_next_ = -1;
  bits_.fill(0);
  mark(sequence, true);
  ++received_;
}

void SequenceLog::count_jump_as_lost() {
  past_expected_ += jump_;
  last_gap_ = jump_;
  jump_ = 0;
  --restarts_;
}

void SequenceLog::carry_on() {
  if (!any_) return;
  carried_ = true;
  base_ = highest_ + 1;
  past_expected_ = received_ = late_ = duplicates_ = restarts_ = excused_ = last_gap_ = 0;
}

void SequenceLog::begin_anew() {
  if (any_) past_expected_ += highest_ - base_ + 1;
  any_ = false;
  last_gap_ = 0;
  refused_next_ = -1;
}

bool SequenceLog::seen(std::int64_t number) const {
  const auto at = static_cast<std::size_t>(number) % remembered;
  return bits_[at / 64] >> (at % 64) & 1;
}

void SequenceLog::mark(std::int64_t number, bool here) {
  const auto at = static_cast<std::size_t>(number) % remembered;
  const std::uint64_t bit = std::uint64_t{1} << (at % 64);
  bits_[at / 64] = here ? bits_[at / 64] | bit : bits_[at / 64] & ~bit;
}

SequenceLog::Came SequenceLog::add(std::uint16_t sequence, bool past) {
  if (!any_) {
    restart(sequence);
    return Came::in_order;
  }
  const auto delta = static_cast<std::int16_t>(sequence - static_cast<std::uint16_t>(highest_));
  if (delta > 0 && delta < max_dropout) {
    for (std::int64_t n = highest_ + 1; n < highest_ + delta; ++n) mark(n, false);
    last_gap_ = delta - 1;
    highest_ += delta;
    mark(highest_, true);
    ++received_;
    refused_next_ = -1;
    return Came::in_order;
  }
  if (delta <= 0 && delta > -(past ? max_past : max_misorder)) {
    const std::int64_t number = highest_ + delta;
    if ((number >= base_ || carried_) && seen(number)) {
      ++duplicates_;
      return Came::duplicate;
    }
    if (number < base_) {
      if (carried_)
        ++past_expected_;  // it was missing from the count before
      else
        base_ = number;    // it left before the first that we saw
    }
    mark(number, true);
    ++received_;
    ++late_;
    if (excused_ > 0 && received_ > expected()) {  // it was excused and comes after all
      --excused_;
      ++past_expected_;
    }
    return Came::late;
  }
  if (sequence == refused_next_) {  // two in sequence after a jump: the source has started again
    // The packet that was refused counts after all.
    restart(static_cast<std::uint16_t>(sequence - 1));
    mark(++highest_, true);
    ++received_;
    return Came::restarted;
  }
  refused_next_ = static_cast<std::uint16_t>(sequence + 1);
  return Came::refused;
}

}  // namespace tallywire::stream
