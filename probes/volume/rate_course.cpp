#include "probes/volume/rate_course.hpp"

#include <algorithm>
#include <cmath>

namespace tallywire::volume {
namespace {

constexpr std::size_t shares = 8, fewest_slots = 2 * shares;
constexpr double least_fall = 1.5, least_after_s = 2;
constexpr std::size_t longest_course_s = 86'400 + 600;

}  // namespace

void RateCourse::add(double from_s, double to_s, double octets) {
  octets_ += octets;
  ++adds_;
  // A pause is told by itself and must not pass for a slow stretch: what is longer than a second and 20 usual gaps.
  const double gap = std::max(0.0, to_s - last_s_);
  const double longest = std::max(1.0, 20 * counted_s_ / static_cast<double>(adds_));
  const double pause = std::max(0.0, gap - longest);
  counted_s_ += gap - pause;
  last_s_ = std::max(last_s_, to_s);
  fill_slots(gap - pause, pause, octets);

  from_s = std::clamp(from_s, 0.0, to_s);
  const auto last = std::min(static_cast<std::size_t>(to_s), longest_course_s);
  seconds_.resize(std::max(seconds_.size(), last + 1), 0);
  for (auto second = static_cast<std::size_t>(from_s); second <= last; ++second) {
    const double s = static_cast<double>(second);
    seconds_[second] += to_s > from_s ? octets * (std::min(to_s, s + 1) - std::max(from_s, s)) / (to_s - from_s) : octets;
  }
}

void RateCourse::fill_slots(double took_s, double pause_s, double octets) {
  while (open_octets_ + octets >= slot_bytes_) {
    const double part = slot_bytes_ - open_octets_, share = octets > 0 ? part / octets : 1;
    open_.rate_s += took_s * share;
    open_.pause_s += pause_s * share;
    slots_.push_back(open_);
    open_ = {};
    open_octets_ = 0;
    octets -= part;
    took_s *= 1 - share;
    pause_s *= 1 - share;
    if (slots_.size() < most_slots) continue;
    for (std::size_t i = 0; i < slots_.size() / 2; ++i)
      slots_[i] = {slots_[2 * i].rate_s + slots_[2 * i + 1].rate_s, slots_[2 * i].pause_s + slots_[2 * i + 1].pause_s};
    slots_.resize(slots_.size() / 2);
    slot_bytes_ *= 2;
  }
  open_octets_ += octets;
  open_.rate_s += took_s;
  open_.pause_s += pause_s;
}

std::optional<double> RateCourse::slowest_second_bytes_per_s(double end_s) const {
  const auto whole = std::min(seconds_.size(), static_cast<std::size_t>(std::max(0.0, end_s)));
  if (whole == 0) return std::nullopt;
  return *std::min_element(seconds_.begin(), seconds_.begin() + static_cast<std::ptrdiff_t>(whole));
}

double RateCourse::octets_between(std::size_t from_s, std::size_t to_s) const {
  double out = 0;
  for (auto s = from_s; s < std::min(to_s, seconds_.size()); ++s) out += seconds_[s];
  return out;
}

// The split into two means that leaves the least squares over: the usual estimate of one change point in a mean.
std::optional<std::size_t> RateCourse::fall_after(std::size_t first) const {
  const std::size_t count = slots_.size() - first;
  if (count < fewest_slots) return std::nullopt;
  std::vector<double> sum(count + 1, 0);
  for (std::size_t i = 0; i < count; ++i) sum[i + 1] = sum[i] + slots_[first + i].rate_s;
  std::size_t best = 0;
  double most = 0;
  for (std::size_t k = shares; k + shares <= count; ++k) {
    const double before = static_cast<double>(k), after = static_cast<double>(count - k);
    const double fall = (sum[count] - sum[k]) / after - sum[k] / before;
    const double gain = fall > 0 ? fall * fall * before * after : 0;
    if (gain > most) most = gain, best = k;
  }
  if (best == 0) return std::nullopt;
  const double before = sum[best] / static_cast<double>(best), after = (sum[count] - sum[best]) / static_cast<double>(count - best);
  if (after < least_fall * before || sum[count] - sum[best] < least_after_s) return std::nullopt;
  const double middle = 2 / (1 / before + 1 / after);  // time a slot at the mean of both rates
  const auto steady = [&](std::size_t from, std::size_t to, bool slow) {
    std::size_t right = 0;
    for (std::size_t share = 0; share < shares; ++share) {
      const auto a = from + (to - from) * share / shares, b = from + (to - from) * (share + 1) / shares;
      const double mean = (sum[b] - sum[a]) / static_cast<double>(b - a);
      right += slow ? mean > middle : mean < middle;
    }
    return right + 1 >= shares;
  };
  if (!steady(0, best, false) || !steady(best, count, true)) return std::nullopt;
  return first + best;
}

std::optional<Knee> RateCourse::knee() const {
  auto at = fall_after(0);
  if (!at) return std::nullopt;
  while (const auto later = fall_after(*at)) at = later;
  Knee out;
  double after_s = 0;
  for (std::size_t i = 0; i < slots_.size(); ++i) (i < *at ? out.at_s : after_s) += slots_[i].rate_s + slots_[i].pause_s;
  out.at_bytes = slot_bytes_ * static_cast<double>(*at);
  out.before_bytes_per_s = out.at_bytes / out.at_s;
  out.after_bytes_per_s = slot_bytes_ * static_cast<double>(slots_.size() - *at) / after_s;
  return out;
}

bool RateCourse::settled(double now_s) const {
  if (now_s < 10) return false;
  const auto end = static_cast<std::size_t>(now_s);
  const auto half = std::max<std::size_t>(end / 6, 2), begin = end - 2 * half;
  const double first = octets_between(begin, begin + half), second = octets_between(begin + half, end);
  if (!(first > 0) || std::abs(second - first) > 0.05 * first) return false;
  const auto found = knee();
  return !found || found->at_s <= static_cast<double>(begin);
}

}  // namespace tallywire::volume
