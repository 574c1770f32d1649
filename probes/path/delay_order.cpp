#include "probes/path/delay_order.hpp"

#include <algorithm>
#include <optional>

namespace tallywire::path {

Order order_of(const std::vector<Arrived>& arrivals) {
  Order out;
  out.packets = arrivals.size();
  std::vector<std::size_t> in_order;  // positions; their numbers ascend
  std::vector<std::size_t> smaller;   // positions that no later one with a lower number hides; their numbers ascend
  std::optional<std::size_t> discontinuity;
  std::size_t run = 0;
  for (std::size_t i = 0; i < arrivals.size(); ++i) {
    const auto number = arrivals[i].number;
    while (!smaller.empty() && arrivals[smaller.back()].number > number) smaller.pop_back();
    const std::size_t overtaken_in_a_row = smaller.empty() ? i : i - smaller.back() - 1;
    smaller.push_back(i);
    if (in_order.empty() || number > arrivals[in_order.back()].number) {
      in_order.push_back(i);
      ++run;
      continue;
    }
    // The first to pass it raised the highest number seen, so it came in order.
    const auto first = *std::upper_bound(in_order.begin(), in_order.end(), number,
                                         [&](std::uint32_t n, std::size_t at) { return n < arrivals[at].number; });
    out.reordered.push_back({number, i - first, overtaken_in_a_row, arrivals[i].at_ns - arrivals[first].at_ns});
    out.runs.push_back(run);
    run = 0;
    if (discontinuity && first > *discontinuity) out.gaps.push_back(first - *discontinuity);
    if (!discontinuity || first > *discontinuity) discontinuity = first;
  }
  return out;
}

LossPattern loss_pattern_of(const std::vector<bool>& lost) {
  LossPattern out;
  out.packets = lost.size();
  std::optional<std::size_t> before;
  for (std::size_t i = 0; i < lost.size(); ++i) {
    if (!lost[i]) continue;
    ++out.lost;
    const std::size_t distance = before ? i - *before : 0;
    out.distances.push_back(distance);
    if (distance == 1)
      ++out.periods.back().packets;
    else
      out.periods.push_back({i, 1, distance});
    before = i;
  }
  return out;
}

double LossPattern::noticeable_ratio(std::size_t delta) const {
  if (lost == 0) return 0;
  const auto near = std::count_if(distances.begin(), distances.end(), [&](std::size_t d) { return d > 0 && d <= delta; });
  return static_cast<double>(near) / static_cast<double>(lost);
}

}  // namespace tallywire::path
