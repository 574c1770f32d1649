#include "probes/path/udp_capacity.hpp"

#include "probes/path/tcp_method.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <cstdio>

namespace tallywire::path {
namespace {

using std::chrono::milliseconds;

constexpr double first_bps = 1e6;
constexpr double climb_factor = 2;
constexpr double near_enough = 1.0125;     // between clean and too much
constexpr double as_asked = 0.95, nearly_as_asked = 0.98;  // of the rate that was asked for
constexpr int most_slow = 3;
constexpr double at_ceiling = 0.98;
constexpr int most_narrowings = 10, most_confirmations = 4;
constexpr double most_lost_packets = 200'000;

}  // namespace

CapacitySearch::CapacitySearch(SearchSettings settings)
    : settings_(std::move(settings)), rate_bps_(std::min(first_bps, settings_.ceiling_bps)) {}

milliseconds CapacitySearch::part(double share, double least_s, double most_s) const {
  const double limit_s = std::chrono::duration<double>(settings_.limit).count();
  return milliseconds(static_cast<std::int64_t>(std::clamp(limit_s * share, least_s, most_s) * 1000));
}

// The least delays of a quarter of the packets each, so that a machine that stalls for a moment is no queue.
bool CapacitySearch::is_too_much(const Trial& t) const {
  return t.lost() > 0 || t.delay_growth_ms.value_or(0) > 2 + t.seconds;
}

// One lost packet can be chance, and a machine that stalls delays what comes; both together, in a trial that is not short, are none.
bool CapacitySearch::is_certain(const Trial& t) const {
  return phase_ != Phase::climb && t.lost() > 0 && t.arrival_bps && *t.arrival_bps < 0.99 * t.sent_bps;
}

double CapacitySearch::highest_clean() const { return clean_.empty() ? 0 : *std::max_element(clean_.begin(), clean_.end()); }

double CapacitySearch::between() const {
  const double low = highest_clean();
  if (low <= 0) return above_bps_ / 2;
  if (estimate_bps_) {
    const double under = *estimate_bps_ * 0.998, over = *estimate_bps_ * 1.01;
    if (under > low * 1.001 && under < above_bps_ * 0.999) return under;
    if (over > low * 1.001 && over < above_bps_ * 0.999) return over;
  }
  return std::sqrt(low * above_bps_);
}

std::optional<TrialOrder> CapacitySearch::next(double elapsed_s) {
  const double limit_s = std::chrono::duration<double>(settings_.limit).count();
  const auto confirm = part(0.25, 0.5, 60), narrow = part(1.0 / 16, 0.25, 5);
  const double confirm_s = std::chrono::duration<double>(confirm).count();
  const bool hurry = elapsed_s + 1.2 * confirm_s > limit_s || harmful_;
  if (hurry && (phase_ == Phase::climb || phase_ == Phase::narrow)) phase_ = Phase::confirm;
  const double low = highest_clean();
  if (phase_ == Phase::narrow && low > 0 && (above_bps_ / low <= near_enough || narrowed_ >= most_narrowings)) phase_ = Phase::confirm;
  if (phase_ == Phase::confirm && (low <= 0 || confirmations_ >= most_confirmations)) phase_ = Phase::over;
  if (phase_ == Phase::confirm && tried_to_confirm_ && elapsed_s + confirm_s > 1.25 * limit_s) phase_ = Phase::over;
  switch (phase_) {
    case Phase::climb:
      return TrialOrder{rate_bps_, longer_ ? narrow : milliseconds(100)};
    case Phase::narrow:
      if (doubted_ == 0 && slow_ == 0) rate_bps_ = between();
      if (rate_bps_ < 0.05 * first_bps) break;  // nothing comes through
      return TrialOrder{rate_bps_, narrow};
    case Phase::confirm:
      if (doubted_ == 0 && slow_ == 0) rate_bps_ = candidate_bps_ > 0 ? candidate_bps_ : low;
      tried_to_confirm_ = true;
      return TrialOrder{rate_bps_, confirm};
    case Phase::over:
      break;
  }
  phase_ = Phase::over;
  return std::nullopt;
}

// A sender that was slower than asked has shown less than was to be shown: once more, while that may help.
bool CapacitySearch::was_slow(const Trial& t) {
  const bool slow = t.sent_bps < (phase_ == Phase::climb ? as_asked : nearly_as_asked) * t.asked_bps;
  longer_ = slow;
  slow_ = slow ? slow_ + 1 : 0;
  return slow;
}

void CapacitySearch::take_clean(const Trial& t) {
  clean_.push_back(t.sent_bps);
  const bool slow = was_slow(t);
  if (slow && slow_ < most_slow) return;
  doubted_ = 0;
  slow_ = 0;
  switch (phase_) {
    case Phase::confirm:
      if (!slow) confirmed_bps_ = t.sent_bps;
      phase_ = Phase::over;
      return;
    case Phase::narrow:
      ++narrowed_;
      return;
    case Phase::climb:
    case Phase::over:
      break;
  }
  if (slow) {
    sender_limits_ = true;
    blocked_ = t.blocked_s > 0.1 * t.seconds;
    phase_ = Phase::confirm;
  } else if (rate_bps_ >= settings_.ceiling_bps) {
    phase_ = Phase::confirm;
  } else {
    rate_bps_ = std::min(rate_bps_ * climb_factor, settings_.ceiling_bps);
  }
}

void CapacitySearch::take_too_much(const Trial& t) {
  if (!is_certain(t) && doubted_ == 0) {
    doubted_ = 1;
    longer_ = true;
    return;
  }
  doubted_ = slow_ = 0;
  if (above_bps_ == 0 || t.sent_bps < above_bps_) {
    above_bps_ = t.sent_bps;
    above_ = t;
    receiver_limits_ = t.dropped_here > 0;
  }
  if (t.arrival_bps && *t.arrival_bps < t.sent_bps) estimate_bps_ = *t.arrival_bps;
  std::erase_if(clean_, [&](double rate) { return rate >= above_bps_ * 0.999; });
  if (phase_ == Phase::confirm) {
    ++confirmations_;
    // Straight to a long trial again, a little below what this one let through.
    candidate_bps_ = std::max(highest_clean(), std::min(estimate_bps_.value_or(above_bps_), above_bps_) * 0.996);
  } else {
    narrowed_ += phase_ == Phase::narrow ? 1 : 0;
    phase_ = Phase::narrow;
  }
}

void CapacitySearch::take(const Trial& t) {
  steps_.push_back(t);
  longest_s_ = std::max(longest_s_, t.seconds);
  sent_ += t.sent;
  lost_ += t.lost();
  harmful_ = lost_ > most_lost_packets;
  if (t.sent == 0 || t.seconds <= 0) {
    phase_ = Phase::over;
    return;
  }
  if (is_too_much(t))
    take_too_much(t);
  else
    take_clean(t);
}

CapacityReport CapacitySearch::report(double elapsed_s) const {
  CapacityReport out;
  out.packet_bytes = settings_.packet_bytes;
  out.steps = steps_;
  out.longest_trial_s = longest_s_;
  out.searched_s = elapsed_s;
  out.sent_packets = sent_;
  out.lost_packets = lost_;
  char text[300];
  std::snprintf(text, sizeof text,
                "trials of evenly spaced packets, up from %.4g Mbit/s until packets are lost or the delay grows steadily; the last of %.2g s, "
                "sent at no more than %.6g Mbit/s",
                std::min(first_bps, settings_.ceiling_bps) / 1e6, longest_s_, settings_.ceiling_bps / 1e6);
  out.method = text;
  if (above_) {
    out.rate_above_bps = above_->sent_bps;
    out.loss_ratio_above = above_->loss_ratio();
    out.delay_growth_above_ms = above_->delay_growth_ms;
  } else {
    for (const char* key : {"rate_above_bps", "loss_ratio_above", "delay_growth_above_ms"}) out.unread[key] = "no rate was too much for the path";
  }
  if (above_ && !above_->delay_growth_ms) out.unread["delay_growth_above_ms"] = "too few packets came";
  out.confirmed = confirmed_bps_ > 0;
  const double best = out.confirmed ? confirmed_bps_ : highest_clean();
  if (best <= 0) {
    const char* why = steps_.empty() ? "it was stopped" : "packets were lost at every rate that was tried";
    for (const char* key : {"capacity_bps", "capacity_payload_bps", "capacity_packets_per_s"}) out.unread[key] = why;
    return out;
  }
  out.capacity_bps = best;
  out.capacity_packets_per_s = best / ((settings_.packet_bytes + frame_octets_beyond_ip) * 8);
  out.capacity_payload_bps = *out.capacity_packets_per_s * (settings_.packet_bytes - settings_.header_bytes) * 8;
  if (sender_limits_) {
    out.limited_by = "sender";
    out.limited_by_reason = blocked_ ? "the sender's own interface took no more" : "the machine that sends does no more";
  } else if (receiver_limits_) {
    out.limited_by = "receiver";
    out.limited_by_reason = "the machine that receives had no room for what came";
  } else if (above_) {
    out.limited_by = "path";
    out.limited_by_reason = above_->lost() > 0 ? "packets were lost on the way at the next higher rate" : "a queue grew on the way at the next higher rate";
  } else if (best >= at_ceiling * settings_.ceiling_bps) {
    out.limited_by = "ceiling";
    out.limited_by_reason = "no more was allowed";
  } else {
    out.limited_by = "sender";
    out.limited_by_reason = "the time was over before a rate was too much";
  }
  out.at_least = out.limited_by != "path";
  return out;
}

void to_json(nlohmann::json& out, const CapacityReport& r) {
  const auto number = [](const std::optional<double>& value) { return value ? nlohmann::json(*value) : nlohmann::json(); };
  const auto word = [](const std::string& value) { return value.empty() ? nlohmann::json() : nlohmann::json(value); };
  auto steps = nlohmann::json::array();
  for (const auto& t : r.steps)
    steps.push_back({{"sent_bps", t.sent_bps},
                     {"duration_s", t.seconds},
                     {"sent_packets", t.sent},
                     {"lost_packets", t.lost()},
                     {"dropped_here_packets", t.dropped_here},
                     {"delay_growth_ms", number(t.delay_growth_ms)},
                     {"arrival_bps", number(t.arrival_bps)}});
  out = {{"capacity_bps", number(r.capacity_bps)},
         {"capacity_payload_bps", number(r.capacity_payload_bps)},
         {"capacity_packets_per_s", number(r.capacity_packets_per_s)},
         {"packet_bytes", number(r.packet_bytes)},
         {"at_least", r.at_least},
         {"confirmed", r.confirmed},
         {"limited_by", word(r.limited_by)},
         {"limited_by_reason", word(r.limited_by_reason)},
         {"rate_above_bps", number(r.rate_above_bps)},
         {"loss_ratio_above", number(r.loss_ratio_above)},
         {"delay_growth_above_ms", number(r.delay_growth_above_ms)},
         {"steps", steps},
         {"longest_trial_s", r.longest_trial_s},
         {"searched_s", r.searched_s},
         {"sent_packets", r.sent_packets},
         {"lost_packets", r.lost_packets},
         {"method", r.method},
         {"unread", r.unread}};
}

}  // namespace tallywire::path
