#include "daemon/round/plan.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <queue>
#include <random>

namespace tallywire::round {
namespace {

constexpr double near_enough = 1.01;    // of the bound: no better plan is looked for
constexpr double work_of_looking = 6e6;  // streams looked at, over all tries: some tens of milliseconds
constexpr int most_tries = 4000;
constexpr double hair_bps = 1;          // sums of doubles are not exact

using Order = std::vector<std::size_t>;

// Streams in this order: whenever one ends, each that waits is opened if every link on its way has room.
class Schedule {
 public:
  Schedule(const std::vector<PlannedStream>& streams, const std::vector<double>& budgets_bps, int most_at_once)
      : streams_(streams), budgets_bps_(budgets_bps), most_at_once_(most_at_once) {}

  // How long it takes; `starts` of each stream. Gives up beyond `limit_s`.
  double run(const Order& order, std::vector<double>& starts, double limit_s) {
    using End = std::pair<double, std::size_t>;
    std::priority_queue<End, std::vector<End>, std::greater<>> open;
    taken_bps_.assign(budgets_bps_.size(), 0);
    waiting_ = order;
    double now = 0, length = 0;
    while (!waiting_.empty()) {
      std::size_t kept = 0;
      for (std::size_t i = 0; i < waiting_.size(); ++i) {
        const auto at = waiting_[i];
        ++looked_at_;
        if (static_cast<int>(open.size()) >= most_at_once_ || !take(streams_[at])) {
          waiting_[kept++] = at;
          continue;
        }
        starts[at] = now;
        length = std::max(length, now + streams_[at].seconds);
        if (length > limit_s) return length;
        open.emplace(now + streams_[at].seconds, at);
      }
      waiting_.resize(kept);
      if (waiting_.empty()) break;
      now = open.top().first;
      while (!open.empty() && open.top().first <= now) {
        give_back(streams_[open.top().second]);
        open.pop();
      }
      // What is left of sums and differences of doubles does not add up.
      if (open.empty()) taken_bps_.assign(budgets_bps_.size(), 0);
    }
    return length;
  }

  double looked_at() const { return looked_at_; }

 private:
  bool take(const PlannedStream& s) {
    for (const auto i : s.links)
      if (taken_bps_[i] + s.load_bps > budgets_bps_[i] + hair_bps) return false;
    for (const auto i : s.links) taken_bps_[i] += s.load_bps;
    return true;
  }
  void give_back(const PlannedStream& s) {
    for (const auto i : s.links) taken_bps_[i] = std::max(0.0, taken_bps_[i] - s.load_bps);
  }

  const std::vector<PlannedStream>& streams_;
  const std::vector<double>& budgets_bps_;
  int most_at_once_;
  std::vector<double> taken_bps_;
  Order waiting_;
  double looked_at_ = 0;
};

// The largest part that a stream takes of any link on its way.
double widest_share(const PlannedStream& s, const std::vector<double>& budgets_bps) {
  double out = 0;
  for (const auto i : s.links) out = std::max(out, s.load_bps / budgets_bps[i]);
  return out;
}

// A part of each link's work, weighted by how busy the link is in all.
std::vector<double> pressures(const std::vector<PlannedStream>& streams, const std::vector<double>& budgets_bps) {
  std::vector<double> work(budgets_bps.size(), 0), out;
  for (const auto& s : streams)
    for (const auto i : s.links) work[i] += s.load_bps / budgets_bps[i] * s.seconds;
  for (const auto& s : streams) {
    double sum = 0;
    for (const auto i : s.links) sum += s.load_bps / budgets_bps[i] * s.seconds * work[i];
    out.push_back(sum);
  }
  return out;
}

class Search {
 public:
  Search(const std::vector<PlannedStream>& streams, const std::vector<double>& budgets_bps, int most_at_once, double bound_s)
      : streams_(streams), budgets_bps_(budgets_bps), schedule_(streams, budgets_bps, most_at_once), enough_s_(bound_s * near_enough),
        starts_(streams.size(), 0) {}

  void look() {
    const auto pressure = pressures(streams_, budgets_bps_);
    const auto seconds = [this](std::size_t i) { return streams_[i].seconds; };
    const auto share = [this](std::size_t i) { return widest_share(streams_[i], budgets_bps_); };
    const auto load = [this](std::size_t i) { return streams_[i].load_bps; };
    try_rule([&](std::size_t i) { return std::make_pair(seconds(i), share(i)); });
    try_rule([&](std::size_t i) { return std::make_pair(share(i), seconds(i)); });
    try_rule([&](std::size_t i) { return std::make_pair(pressure[i], seconds(i)); });
    try_rule([&](std::size_t i) { return std::make_pair(load(i) * seconds(i), share(i)); });
    try_rule([&](std::size_t i) { return std::make_pair(share(i) * seconds(i), load(i)); });
    improve();
  }

  const std::vector<double>& starts() const { return best_starts_; }
  double length_s() const { return best_s_; }

 private:
  bool may_go_on() const { return best_s_ > enough_s_ && schedule_.looked_at() < work_of_looking; }

  template <class Rule>
  void try_rule(Rule rule) {
    if (!best_order_.empty() && !may_go_on()) return;
    Order order(streams_.size());
    std::iota(order.begin(), order.end(), 0);
    std::stable_sort(order.begin(), order.end(), [&](auto a, auto b) { return rule(a) > rule(b); });
    try_order(std::move(order));
  }

  bool try_order(Order order) {
    const double length = schedule_.run(order, starts_, best_s_);
    if (!(length < best_s_)) return false;
    best_s_ = length;
    best_order_ = std::move(order);
    best_starts_ = starts_;
    return true;
  }

  // What ends last goes further to the front, and some places are exchanged by chance.
  void improve() {
    std::mt19937 random(1);
    for (int i = 0; i < most_tries && may_go_on(); ++i) {
      Order order = best_order_;
      const auto any = [&random, n = order.size()] { return static_cast<std::size_t>(random() % n); };
      if (i % 2 == 0) {
        std::size_t last = 0;
        for (std::size_t at = 0; at < order.size(); ++at)
          if (end_of(order[at]) >= best_s_ * (1 - 1e-9) && (end_of(order[last]) < best_s_ * (1 - 1e-9) || random() % 2)) last = at;
        const auto to = last == 0 ? 0 : random() % last;
        std::rotate(order.begin() + static_cast<std::ptrdiff_t>(to), order.begin() + static_cast<std::ptrdiff_t>(last),
                    order.begin() + static_cast<std::ptrdiff_t>(last) + 1);
      }
      const int swaps = static_cast<int>(random() % (i % 2 == 0 ? 2 : 4));
      for (int s = 0; s < swaps; ++s) std::swap(order[any()], order[any()]);
      try_order(std::move(order));
    }
  }

  double end_of(std::size_t i) const { return best_starts_[i] + streams_[i].seconds; }

  const std::vector<PlannedStream>& streams_;
  const std::vector<double>& budgets_bps_;
  Schedule schedule_;
  double enough_s_;
  std::vector<double> starts_, best_starts_;
  Order best_order_;
  double best_s_ = std::numeric_limits<double>::infinity();
};

// How many are open at once at most, and how many follow one on another at most.
void count_together(Plan& plan) {
  std::vector<std::pair<double, int>> ends;  // and how long the chain is that ends there
  for (const auto& s : plan.order) {
    int before = 0, open = 1;
    for (const auto& [end, chain] : ends) {
      if (end <= s.start_s + 1e-9)
        before = std::max(before, chain);
      else
        ++open;
    }
    // Those that have ended count by the longest chain alone.
    std::erase_if(ends, [&](const auto& e) { return e.first <= s.start_s + 1e-9 && e.second < before; });
    ends.emplace_back(s.start_s + s.seconds, before + 1);
    plan.most_at_once = std::max(plan.most_at_once, open);
    plan.waves = std::max(plan.waves, before + 1);
  }
}

}  // namespace

std::size_t too_small_for(const PlannedStream& stream, const std::vector<double>& budgets_bps) {
  for (const auto i : stream.links)
    if (stream.load_bps > budgets_bps[i]) return i;
  return budgets_bps.size();
}

Plan plan_streams(std::vector<PlannedStream> streams, const std::vector<double>& budgets_bps, int most_at_once) {
  Plan plan;
  for (auto& stream : streams)
    (too_small_for(stream, budgets_bps) == budgets_bps.size() ? plan.order : plan.impossible).push_back(std::move(stream));
  if (plan.order.empty()) return plan;
  plan.bound = length_bound(plan.order, budgets_bps, most_at_once);
  Search search(plan.order, budgets_bps, most_at_once, plan.bound.seconds);
  search.look();
  plan.streams_s = search.length_s();
  for (std::size_t i = 0; i < plan.order.size(); ++i) plan.order[i].start_s = search.starts()[i];
  std::stable_sort(plan.order.begin(), plan.order.end(), [](const auto& a, const auto& b) {
    return a.start_s != b.start_s ? a.start_s < b.start_s : a.seconds != b.seconds ? a.seconds > b.seconds : a.load_bps > b.load_bps;
  });
  count_together(plan);
  return plan;
}

}  // namespace tallywire::round
