// The lower bound of a plan's length. On one link a stream is a box as wide as its share of the budget and as long as it is
// metered. A dual feasible function maps shares so that shares which fit together still do; so the mapped work is a bound too
// (Fekete, Schepers: New classes of fast lower bounds for bin packing problems, Mathematical Programming 91, 2001).
#include "daemon/round/plan.hpp"

#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>
#include <map>
#include <set>

namespace tallywire::round {
namespace {

constexpr double slack = 1e-9;         // relative; sums of doubles are not exact
constexpr std::size_t most_split = 13;   // streams: 2^13 subsets take a tenth of a millisecond
constexpr std::size_t many_boxes = 300;  // beyond this the plain work is a bound that is near enough

struct Box {
  double share;    // of the link's budget, at most 1
  double seconds;
  double count;
};

using Map = std::function<double(double)>;

// Streams wider than a (k+1)-th of the link: at most k of them are open together.
Map by_count(int k) {
  return [k](double x) {
    const double steps = (k + 1) * x, whole = std::round(steps);
    return std::abs(steps - whole) < slack ? x : std::floor(steps) / k;
  };
}

// Streams narrower than `least` are left out; beside one wider than 1 - least nothing else is open.
Map without_narrow(double least) {
  return [least](double x) { return x > 1 - least + slack ? 1 : x < least - slack ? 0 : x; };
}

// Beside a wide stream only so many of at least `least` are open.
Map beside_wide(double least) {
  const double most = std::floor(1 / least + slack);
  return [least, most](double x) {
    if (x > 0.5 + slack) return 1 - std::floor((1 - x) / least + slack) / most;
    return x < least - slack ? 0 : 1 / most;
  };
}

std::vector<Map> maps_for(const std::vector<Box>& boxes) {
  std::vector<Map> out{[](double x) { return x; }};
  for (int k = 1; k <= 12; ++k) out.push_back(by_count(k));
  std::set<double> narrow;
  for (const auto& box : boxes)
    if (box.share <= 0.5) narrow.insert(box.share);
  const auto step = std::max<std::size_t>(1, narrow.size() / 12);
  std::size_t i = 0;
  for (const double least : narrow)
    if (i++ % step == 0) {
      out.push_back(without_narrow(least));
      out.push_back(beside_wide(least));
    }
  return out;
}

// A schedule shorter than (m + 1) * grain is pierced by m instants, less than a grain apart, so that each stream is open at
// floor(seconds / grain) of them at least, and those open at one instant fit together.
double pierced(const std::vector<Box>& boxes, const Map& map, double grain) {
  double instants = 0;
  for (const auto& box : boxes) instants += box.count * std::floor(box.seconds / grain + slack) * map(box.share);
  return grain * std::ceil(instants * (1 - slack) - slack);
}

// Into how many sets that fit a link these shares can be split at best; exact, by every subset (n * 2^n steps).
int fewest_sets(const std::vector<double>& shares) {
  struct Packed {
    int sets;
    double last;  // share taken in the last of them
  };
  std::vector<Packed> best(std::size_t{1} << shares.size(), {std::numeric_limits<int>::max(), 0});
  best[0] = {1, 0};
  for (std::size_t packed = 0; packed < best.size(); ++packed)
    for (std::size_t i = 0; i < shares.size(); ++i) {
      if (packed >> i & 1) continue;
      auto with = best[packed];
      with = with.last + shares[i] <= 1 + slack ? Packed{with.sets, with.last + shares[i]} : Packed{with.sets + 1, shares[i]};
      auto& to = best[packed | std::size_t{1} << i];
      if (with.sets < to.sets || (with.sets == to.sets && with.last < to.last)) to = with;
    }
  return best.back().sets;
}

// The same instants, a grain apart, and exact for the widest few of the streams that are at least that long.
double split(const std::vector<Box>& boxes, double grain) {
  std::vector<double> shares;
  for (auto box = boxes.rbegin(); box != boxes.rend(); ++box)  // they lie by their shares
    if (box->seconds >= grain * (1 - slack))
      for (double n = 0; n < box->count && shares.size() < most_split; ++n) shares.push_back(box->share);
  return grain * fewest_sets(shares);
}

double of_link(const std::vector<Box>& boxes) {
  double best = 0;
  std::set<double> grains;
  if (boxes.size() <= many_boxes)
    for (const auto& box : boxes)
      for (int parts = 1; parts <= 4; ++parts) grains.insert(box.seconds / parts);
  double all = 0;
  for (const auto& box : boxes) all += box.count * box.share;
  std::set<double> lengths;
  for (const auto& box : boxes) lengths.insert(box.seconds);
  if (all > 1 + slack && boxes.size() <= many_boxes && lengths.size() <= 12)
    for (const double grain : lengths) best = std::max(best, split(boxes, grain));
  std::vector<double> few(grains.begin(), grains.end());
  const auto step = std::max<std::size_t>(1, few.size() / 32);
  for (const auto& map : maps_for(boxes)) {
    double work = 0;
    for (const auto& box : boxes) work += box.count * box.seconds * map(box.share);
    best = std::max(best, work * (1 - slack));
    for (std::size_t i = 0; i < few.size(); i += step) best = std::max(best, pierced(boxes, map, few[few.size() - 1 - i]));
  }
  return best;
}

// Streams of one kind are one box.
std::vector<Box> boxes_of(const std::vector<const PlannedStream*>& streams, double budget_bps) {
  std::map<std::pair<double, double>, double> kinds;
  for (const auto* s : streams) kinds[{std::min(1.0, s->load_bps / budget_bps), s->seconds}] += 1;
  std::vector<Box> out;
  for (const auto& [kind, count] : kinds) out.push_back({kind.first, kind.second, count});
  return out;
}

bool exclude(const PlannedStream& a, const PlannedStream& b, const std::vector<double>& budgets_bps) {
  for (const auto i : a.links)
    if (std::find(b.links.begin(), b.links.end(), i) != b.links.end() && (a.load_bps + b.load_bps) > budgets_bps[i] * (1 + slack)) return true;
  return false;
}

// Streams of which no two can be open together, on whichever links: they follow one on another.
double chain(std::vector<const PlannedStream*> streams, const std::vector<double>& budgets_bps) {
  std::stable_sort(streams.begin(), streams.end(), [](const auto* a, const auto* b) { return a->seconds * a->load_bps > b->seconds * b->load_bps; });
  if (streams.size() > many_boxes) streams.resize(many_boxes);
  double best = 0;
  for (std::size_t first = 0; first < std::min<std::size_t>(streams.size(), 24); ++first) {
    std::vector<const PlannedStream*> members{streams[first]};
    double length = streams[first]->seconds;
    for (const auto* s : streams) {
      const bool fits = s != streams[first] && std::all_of(members.begin(), members.end(), [&](const auto* m) { return exclude(*s, *m, budgets_bps); });
      if (!fits) continue;
      members.push_back(s);
      length += s->seconds;
    }
    best = std::max(best, length);
  }
  return best;
}

}  // namespace

LengthBound length_bound(const std::vector<PlannedStream>& streams, const std::vector<double>& budgets_bps, int most_at_once) {
  LengthBound out;
  const auto raise = [&out](double seconds, LengthBound::Cause cause, std::size_t link = 0) {
    if (seconds > out.seconds * (1 + 1e-6)) out = {cause, seconds, link};
  };
  std::vector<std::vector<const PlannedStream*>> on(budgets_bps.size());
  std::vector<const PlannedStream*> all;
  for (const auto& s : streams) {
    all.push_back(&s);
    for (const auto i : s.links) on[i].push_back(&s);
    raise(s.seconds, LengthBound::Cause::longest_stream);
  }
  for (std::size_t i = 0; i < on.size(); ++i)
    if (!on[i].empty()) raise(of_link(boxes_of(on[i], budgets_bps[i])), LengthBound::Cause::link, i);
  raise(chain(all, budgets_bps), LengthBound::Cause::chain);
  std::map<double, double> lengths;
  for (const auto& s : streams) lengths[s.seconds] += 1;
  std::vector<Box> places;
  for (const auto& [seconds, count] : lengths) places.push_back({1.0 / most_at_once, seconds, count});
  raise(of_link(places), LengthBound::Cause::most_at_once);
  return out;
}

}  // namespace tallywire::round
