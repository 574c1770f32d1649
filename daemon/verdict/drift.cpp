#include "daemon/verdict/drift.hpp"

#include "daemon/verdict/drift_quantities.hpp"
#include "daemon/verdict/words.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <set>

namespace tallywire::verdict {
namespace {

constexpr double share_back = 0.8;  // of the tolerance: a level is back only when it is clearly inside

double median_of(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  if (values.size() % 2 == 1) return *middle;
  return (*middle + *std::max_element(values.begin(), middle)) / 2;
}

std::int64_t seconds_of(SystemTime when) { return std::chrono::duration_cast<std::chrono::seconds>(when.time_since_epoch()).count(); }

int nights_between(std::int64_t since_s, std::int64_t now_s) {
  constexpr double day_s = 86'400;
  return 1 + static_cast<int>(std::llround(static_cast<double>(now_s - since_s) / day_s));
}

bool is_camera(const std::string& subject) { return subject.starts_with("camera/"); }

std::string camera_of(const std::string& subject) { return subject.substr(0, subject.find('/', sizeof("camera/") - 1)); }

}  // namespace

Drift::Drift(const RoundRead& accepted, const config::Design& design)
    : id_(accepted.id), hours_(accepted.hours), limits_(design.limits), full_(full_of(design)) {
  for (const auto& reading : accepted.readings)
    if (watched(reading.quantity)) accepted_.insert_or_assign(drift_key(reading.subject, reading.quantity), reading);
}

// One round against the accepted one.
class DriftStep {
 public:
  DriftStep(const Drift& drift, const RoundRead& round, DriftMemory& memory)
      : drift_(drift), round_(round), memory_(memory), now_s_(seconds_of(round.when)) {}

  DriftOfRound run() {
    for (const auto& reading : round_.readings)
      if (watched(reading.quantity)) now_.insert_or_assign(drift_key(reading.subject, reading.quantity), &reading);
    for (const auto& [key, reading] : now_)
      if (reading->quantity == std::string("presence") && reading->word() != std::string("arrived")) absent_.insert(reading->subject);
    for (const auto& [key, reading] : now_) compare(key, *reading);
    tell_unread();
    out_.rows = open_rows(memory_);
    return std::move(out_);
  }

 private:
  void compare(const std::string& key, const Reading& is) {
    const auto at = drift_.accepted_.find(key);
    const auto& w = *watched(is.quantity);
    // What was not read when the round was accepted has no measure; a stream that came later has none until it is accepted.
    if (at == drift_.accepted_.end() || !at->second.is_read()) return;
    // A unit that is gone is told once, not by everything that it no longer sends.
    if (is.quantity != std::string("presence") && is_camera(is.subject) && absent_.contains(camera_of(is.subject))) return;
    if (!is.is_read()) {
      if (!unread_.contains(is.subject)) unread_[is.subject] = &is;
      return;
    }
    read_.insert(is.subject);
    if (w.way == DriftWay::level) return compare_level(w, key, at->second, is);
    const bool differs = w.way == DriftWay::in_a_row ? is_beyond(w, key, at->second, is) : value_of(at->second) != value_of(is);
    DriftRow row{is.subject, w.aspect, is.quantity, value_of(at->second), value_of(is), nullptr, 1,
                 change_text(is.subject, is.quantity, value_of(at->second), value_of(is))};
    if (w.tolerance) row.tolerance = drift_.limits_.*w.tolerance;
    if (w.way == DriftWay::at_once)
      at_once(key, differs, std::move(row));
    else
      in_a_row(key, differs, std::move(row));
  }

  bool is_beyond(const WatchedQuantity& w, const std::string& key, const Reading& was, const Reading& is) const {
    if (!was.number() || !is.number()) return value_of(was) != value_of(is);
    const auto a = scaled(w, *was.number(), drift_.full_, key), b = scaled(w, *is.number(), drift_.full_, key);
    if (!a || !b) return *was.number() != *is.number();
    return std::abs(*b - *a) > scaled_tolerance(w, drift_.limits_);
  }

  void at_once(const std::string& key, bool differs, DriftRow row) {
    const auto open = memory_.open.find(key);
    if (differs && open == memory_.open.end()) return begin(key, std::move(row), now_s_);
    if (open == memory_.open.end()) return;
    if (!differs) return going_back(key, rounds_back);
    if (open->second.back > 0) out_.again.push_back(row);
    stay(open->second, std::move(row));
  }

  void in_a_row(const std::string& key, bool differs, DriftRow row) {
    const auto open = memory_.open.find(key);
    if (open != memory_.open.end()) {
      if (!differs) return going_back(key, rounds_in_a_row);
      return stay(open->second, std::move(row));
    }
    if (!differs) {
      memory_.beyond.erase(key);
      return;
    }
    auto& times = memory_.beyond[key];
    times.push_back(now_s_);
    if (times.size() < std::size_t{rounds_in_a_row}) return;
    const auto since = times.front();
    memory_.beyond.erase(key);
    begin(key, std::move(row), since);
  }

  void begin(const std::string& key, DriftRow row, std::int64_t since_s) {
    row.nights = nights_between(since_s, now_s_);
    memory_.open[key] = {row, since_s, 0};
    out_.begun.push_back(std::move(row));
  }

  void stay(OpenDrift& open, DriftRow row) {
    row.nights = nights_between(open.since_s, now_s_);
    open.row = std::move(row);
    open.back = 0;
  }

  void going_back(const std::string& key, int needed) {
    const auto open = memory_.open.find(key);
    if (open == memory_.open.end()) return;
    auto& row = open->second.row;
    if (const auto now = now_.find(drift_key(row.subject, row.quantity)); now != now_.end() && now->second->is_read()) row.is = value_of(*now->second);
    if (++open->second.back < needed) {
      row.text = spoken_subject(row.subject) + ", " + spoken_quantity(row.quantity) + " is as accepted again since this round; the row ends when it stays so";
      return;
    }
    row.nights = nights_between(open->second.since_s, now_s_) - needed;
    row.text = spoken_subject(row.subject) + ", " + spoken_quantity(row.quantity) + " is as accepted again";
    out_.ended.push_back(row);
    memory_.open.erase(open);
  }

  // ---- levels -----------------------------------------------------------------------------------------

  // What the newest rounds are held against, and from how far on it counts.
  struct Level {
    double level = 0, newest = 0, tolerance = 0;
  };

  Level level_of(const WatchedQuantity& w, const DriftSeries& series) const {
    Level out;
    out.level = median_of(series.first);
    std::vector<double> newest, residues;
    for (const auto& [when, value] : series.newest) newest.push_back(value);
    out.newest = median_of(newest);
    for (const double value : series.first) residues.push_back(std::abs(value - out.level));
    for (const double value : newest) residues.push_back(std::abs(value - out.newest));
    // 1.4826: of the normal distribution's deviation and its median absolute deviation; 1.2533: a median's standard error
    // against a mean's (the square root of pi / 2).
    const double scatter = 1.4826 * median_of(std::move(residues));
    const double error = 1.2533 * scatter * std::sqrt(1.0 / static_cast<double>(series.first.size()) + 1.0 / static_cast<double>(newest.size()));
    const double asked = scaled_tolerance(w, drift_.limits_);
    out.tolerance = std::max(asked, scatter_factor * error);
    return out;
  }

  void compare_level(const WatchedQuantity& w, const std::string& key, const Reading& was, const Reading& is) {
    if (!was.number() || !is.number()) return;
    const auto value = scaled(w, *is.number(), drift_.full_, key);
    if (!value) return;
    const auto of_hours = key + " " + round_.hours;
    auto& series = memory_.series[of_hours];
    if (series.first.empty() && round_.hours == drift_.hours_)
      if (const auto own = scaled(w, *was.number(), drift_.full_, key)) {
        series.first.push_back(*own);
      }
    const bool lossy = w.scale == DriftScale::amount;
    if (series.first.size() < level_rounds) series.first.push_back(*value);
    series.newest.emplace_back(now_s_, *value);
    while (series.newest.size() > (lossy ? newest_lossy_rounds : newest_rounds)) series.newest.pop_front();
    if (!lossy && series.first.size() < least_level_rounds) return;
    judge_level(w, key, of_hours, series, is);
  }

  void judge_level(const WatchedQuantity& w, const std::string& key, const std::string& of_hours, const DriftSeries& series, const Reading& is) {
    const bool lossy = w.scale == DriftScale::amount;
    const int agree = lossy ? lossy_that_agree : newest_that_agree;
    const auto level = level_of(w, series);
    // Loss is told against what the round was accepted with, or less.
    const double tolerance = lossy ? scaled_tolerance(w, drift_.limits_) : level.tolerance;
    int above = 0, below = 0, inside = 0;
    std::int64_t since = now_s_;
    for (const auto& [when, value] : series.newest) {
      const double off = value - level.level;
      if (std::abs(off) > tolerance && above + below == 0) since = when;
      above += off > tolerance;
      below += off < -tolerance;
      inside += std::abs(off) <= tolerance * share_back || (lossy && off <= tolerance);
    }
    if (lossy) below = 0;
    const auto open = memory_.open.find(of_hours);
    if (std::max(above, below) < agree) {
      if (open != memory_.open.end() && inside >= (lossy ? lossless_to_end : newest_that_agree)) end_level(of_hours);
      if (const auto still = memory_.open.find(of_hours); still != memory_.open.end()) still->second.row.nights = nights_between(still->second.since_s, now_s_);
      return;
    }
    auto row = level_row(w, key, series, level, tolerance, std::max(above, below), is);
    if (open == memory_.open.end()) return begin(of_hours, std::move(row), since);
    stay(open->second, std::move(row));
  }

  DriftRow level_row(const WatchedQuantity& w, const std::string& key, const DriftSeries& series, const Level& level, double tolerance, int agree,
                     const Reading& is) const {
    const auto rounded = [](double value) { return value == 0 ? 0.0 : std::stod(six(value)); };
    DriftRow row{is.subject, w.aspect, is.quantity, rounded(unscaled(w, level.level, drift_.full_, key)), rounded(unscaled(w, level.newest, drift_.full_, key)),
                 rounded(w.scale == DriftScale::ratio ? std::expm1(tolerance) : tolerance), 1, {}};
    row.text = change_text(is.subject, is.quantity, row.was, row.is) + " (" + std::to_string(agree) + " of the newest " +
               std::to_string(series.newest.size()) + " rounds of its hour lie beyond " + of_tolerance(w, row.tolerance.get<double>()) + ")";
    return row;
  }

  static std::string six(double value) {
    char text[40];
    std::snprintf(text, sizeof text, "%.6g", value);
    return text;
  }

  static std::string of_tolerance(const WatchedQuantity& w, double tolerance) {
    char text[80];
    std::snprintf(text, sizeof text, "%.3g %%%s", tolerance * 100, w.scale == DriftScale::share ? " of what it may carry" : "");
    return text;
  }

  void end_level(const std::string& of_hours) {
    auto row = memory_.open.at(of_hours).row;
    row.nights = nights_between(memory_.open.at(of_hours).since_s, now_s_);
    row.text = spoken_subject(row.subject) + ", " + (row.quantity == "payload_bps" ? "bit rate" : spoken_quantity(row.quantity)) + " is as accepted again";
    out_.ended.push_back(std::move(row));
    memory_.open.erase(of_hours);
  }

  // ---- what can no longer be read ---------------------------------------------------------------------

  // One row a subject: a stream that does not open is not told by each of its figures.
  void tell_unread() {
    for (const auto& [subject, reading] : unread_) {
      const auto& was = drift_.accepted_.at(drift_key(subject, reading->quantity));
      in_a_row(unread_key(subject), true,
               {subject, watched(reading->quantity)->aspect, reading->quantity, value_of(was), nullptr, nullptr, 1,
                spoken_subject(subject) + ", " + spoken_quantity(reading->quantity) + " cannot be read any more: " + reading->unread});
    }
    for (const auto& subject : read_)
      if (!unread_.contains(subject)) in_a_row(unread_key(subject), false, {});
  }

  static std::string unread_key(const std::string& subject) { return subject + " unread"; }

  const Drift& drift_;
  const RoundRead& round_;
  DriftMemory& memory_;
  std::int64_t now_s_;
  std::map<std::string, const Reading*> now_;
  std::set<std::string> absent_, read_;
  std::map<std::string, const Reading*> unread_;
  DriftOfRound out_;
};

DriftOfRound Drift::next(const RoundRead& round, DriftMemory& memory) const {
  if (memory.accepted != id_) memory = DriftMemory{id_, id_, {}, {}, {}};
  if (round.id <= memory.last_round) return {open_rows(memory), {}, {}, {}};
  memory.last_round = round.id;
  return DriftStep(*this, round, memory).run();
}

std::vector<DriftRow> open_rows(const DriftMemory& memory) {
  std::vector<DriftRow> out;
  for (const auto& [key, open] : memory.open) out.push_back(open.row);
  return out;
}

}  // namespace tallywire::verdict
