#include "probes/wire/tcp_reassembly.hpp"

#include <algorithm>

namespace tallywire::wire {

// The number's place nearest to the one that is waited for: they wrap at 32 bits (RFC 9293 §3.4).
std::uint64_t TcpReassembly::extended(std::uint32_t number) const {
  const auto step = static_cast<std::int32_t>(number - static_cast<std::uint32_t>(next_));
  return next_ + static_cast<std::uint64_t>(static_cast<std::int64_t>(step));
}

void TcpReassembly::account_for(std::size_t octets) {
  kept_octets_ += octets;
  if (account_) account_->kept_octets += octets;
}

void TcpReassembly::give_back(std::size_t octets) {
  kept_octets_ -= octets;
  if (account_) account_->kept_octets -= octets;
}

void TcpReassembly::restart() {
  kept_.clear();
  give_back(kept_octets_);
  started_ = finished_ = anew_ = has_fresh_ = false;
  acknowledged_ = 0;
  acknowledged_at_ = hole_since_ = filled_at_ = now_ = {};
}

void TcpReassembly::begin(std::uint32_t sequence) {
  anew_ = started_;
  started_ = true;
  first_number_ = sequence;
  constexpr std::uint64_t room_before = std::uint64_t{1} << 32;  // so that no number falls below 0
  next_ = room_before + sequence;
  acknowledged_ = 0;
  kept_.clear();
  give_back(kept_octets_);
  has_fresh_ = false;
}

void TcpReassembly::add(const Segment& segment) {
  now_ = std::max(now_, segment.at);
  if (segment.syn && !(started_ && first_number_ == segment.sequence + 1)) begin(segment.sequence + 1);
  if (segment.payload_octets == 0) return;
  const auto first = segment.sequence + (segment.syn ? 1u : 0u);
  if (!started_) begin(first);
  if (const auto at = extended(first); at > next_ + farthest || at + farthest < next_) begin(first);
  const auto at = extended(first), end = at + segment.payload_octets;
  if (end <= next_) {
    // Not a keep-alive: at most one octet before the one that is waited for (RFC 9293 §3.8.4).
    if (segment.payload_octets > 1 || end != next_) ++retransmitted_;
    return;
  }
  auto octets = segment.payload;
  auto from = at;
  if (from < next_) {
    octets = octets.subspan(std::min<std::size_t>(octets.size(), next_ - from));
    from = next_;
    ++retransmitted_;
  }
  ++segments_;
  payload_octets_ += end - from;
  if (from > next_) return keep(from, octets, end, segment.at);
  fresh_ = octets;
  fresh_at_ = segment.at;
  fresh_end_ = end;
  has_fresh_ = true;
}

void TcpReassembly::keep(std::uint64_t begin, Octets octets, std::uint64_t end, Time at_time) {
  if (kept_.empty()) hole_since_ = now_;
  auto at = std::upper_bound(kept_.begin(), kept_.end(), begin, [](std::uint64_t b, const Kept& k) { return b < k.begin; });
  if (at != kept_.begin() && std::prev(at)->end >= end) {
    --segments_;
    payload_octets_ -= end - begin;
    ++retransmitted_;
    return;
  }
  kept_.insert(at, {begin, {octets.begin(), octets.end()}, at_time, end});
  account_for(octets.size() + cost_of_segment);
}

std::optional<TcpReassembly::Piece> TcpReassembly::give(Octets octets, std::uint64_t end, Time at) {
  const auto whole = end - next_;
  next_ = end;
  if (octets.size() < whole) {
    // The capture cut the segment: what it left out is a hole, told after what there is.
    return Piece{octets, whole - octets.size(), false, at};
  }
  return Piece{octets, 0, false, at};
}

bool TcpReassembly::hole_is_given_up() const {
  if (account_ && account_->kept_octets > account_->most_octets) return true;
  if (finished_ || kept_octets_ > most_kept || now_ - hole_since_ >= patience) return true;
  return acknowledged_ > next_ && now_ - std::max(acknowledged_at_, hole_since_) >= acknowledged_patience;
}

std::optional<TcpReassembly::Piece> TcpReassembly::next() {
  if (anew_) {
    anew_ = false;
    return Piece{{}, 0, true, now_};
  }
  if (has_fresh_) {
    has_fresh_ = false;
    filled_at_ = fresh_at_;
    return give(fresh_, fresh_end_, fresh_at_);
  }
  while (!kept_.empty()) {
    auto& front = kept_.front();
    if (front.begin > next_) {
      if (!hole_is_given_up()) return std::nullopt;
      const auto missing = front.begin - next_;
      missing_octets_ += missing;
      ++holes_;
      next_ = front.begin;
      filled_at_ = {};
      return Piece{{}, missing, false, front.at};
    }
    Kept taken = std::move(front);
    give_back(taken.octets.size() + cost_of_segment);
    kept_.erase(kept_.begin());
    hole_since_ = now_;
    if (taken.end <= next_) continue;
    out_ = std::move(taken.octets);
    const auto passed = std::min<std::size_t>(out_.size(), next_ - taken.begin);
    return give(Octets(out_).subspan(passed), taken.end, std::max(taken.at, filled_at_));
  }
  return std::nullopt;
}

void TcpReassembly::acknowledged(std::uint32_t number, Time at) {
  now_ = std::max(now_, at);
  if (!started_) return;
  const auto place = extended(number);
  if (place <= acknowledged_) return;
  if (acknowledged_ <= next_) acknowledged_at_ = at;
  acknowledged_ = place;
}

void TcpReassembly::look_at_clock(Time now) { now_ = std::max(now_, now); }

}  // namespace tallywire::wire
