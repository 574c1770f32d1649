// The order in which packets came (RFC 4737), and the pattern of those that did not (RFC 3357). Pure.
#pragma once

#include <cstddef>
#include <cstdint>
#include <vector>

namespace tallywire::path {

struct Arrived {
  std::uint32_t number = 0;  // in the order of sending
  std::int64_t at_ns = 0;    // any clock
};

struct ReorderedPacket {
  std::uint32_t number = 0;
  std::size_t extent = 0;    // RFC 4737 §4.2.1: packets back to the first one that overtook it
  std::size_t n = 0;         // §5.2: so many packets just before it overtook it; 0: the one before it did not
  std::int64_t late_ns = 0;  // §4.2.2: behind the first one that overtook it
};

struct Order {
  std::size_t packets = 0;
  std::vector<ReorderedPacket> reordered;  // as they came
  std::vector<std::size_t> gaps;           // §4.4: packets between one reordering discontinuity and the next
  std::vector<std::size_t> runs;           // §4.5: packets in order before each reordered one
};

// `arrivals` as they came, each number once: what came twice is no matter of order.
Order order_of(const std::vector<Arrived>& arrivals);

struct LossPeriod {
  std::size_t first = 0;     // number of its first lost packet
  std::size_t packets = 0;
  std::size_t distance = 0;  // from the last lost packet before it; 0: the first period
};

struct LossPattern {
  std::size_t packets = 0, lost = 0;
  std::vector<std::size_t> distances;  // RFC 3357 §5.4: of each lost packet from the lost one before; the first: 0
  std::vector<LossPeriod> periods;     // §5.5, §6.3, §6.4
  // Of the lost packets, how many came at most `delta` after the one before (§6.1); 0 when none was lost.
  double noticeable_ratio(std::size_t delta) const;
};

// `lost` by number.
LossPattern loss_pattern_of(const std::vector<bool>& lost);

}  // namespace tallywire::path
