#include "probes/path/train_counter.hpp"

#include <algorithm>

namespace tallywire::path {
namespace {

// Fewer packets tell no rate.
constexpr std::uint32_t least_for_rate = 6;

}  // namespace

void TrainCounter::add(const UdpPacket& packet, std::int64_t arrival_ns) {
  if (count_.packets == 0 || packet.trial != count_.trial) {
    *this = TrainCounter();
    count_.trial = packet.trial;
    count_.packets = packet.packets;
    seen_.assign(packet.packets, false);
  }
  if (packet.sequence >= seen_.size()) return;  // a trial that tells two lengths
  last_ns_ = std::max(last_ns_, arrival_ns);
  if (seen_[packet.sequence]) {
    ++count_.duplicates;
    return;
  }
  seen_[packet.sequence] = true;
  ++count_.received;
  const auto quarter = static_cast<std::size_t>(std::uint64_t{packet.sequence} * 4 / count_.packets);
  const auto delay_ns = static_cast<std::int64_t>(static_cast<std::uint64_t>(arrival_ns) - packet.sent_ns);
  auto& least = least_delay_ns_[quarter];
  least = least ? std::min(*least, delay_ns) : delay_ns;
  if (packet.sequence < count_.packets / 2) return;
  if (after_half_++ == 0) half_ns_ = arrival_ns;
}

const TrainCount& TrainCounter::count() {
  if (least_delay_ns_[0] && least_delay_ns_[3])
    count_.delay_growth_ms = (static_cast<double>(*least_delay_ns_[3]) - static_cast<double>(*least_delay_ns_[0])) / 1e6;
  if (after_half_ >= least_for_rate && last_ns_ > half_ns_)
    count_.arrival_packets_per_s = (after_half_ - 1) * 1e9 / static_cast<double>(last_ns_ - half_ns_);
  return count_;
}

}  // namespace tallywire::path
