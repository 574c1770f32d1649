// On which day a store falls short of what it must hold, if the rates go on as the nights show. Pure functions.
//
// The nights' rates are met by a line whose slope is the median of the slopes between any two nights (Theil 1950, Sen 1968): one
// bad night does not move it. A trend is told only when its 95 % interval (Sen 1968, normal approximation) leaves out zero.
#pragma once

#include "probes/reading.hpp"

#include <optional>
#include <span>
#include <string>
#include <vector>

namespace tallywire::verdict {

// What one stream sent in one nightly round.
struct NightRate {
  std::int64_t round = 0;
  SystemTime when{};
  std::string subject;   // of the stream
  double payload_bps = 0;
};

struct NightSum {
  SystemTime when{};
  double bytes_per_s = 0;
};

inline constexpr std::size_t least_nights = 7;
inline constexpr double furthest_days = 3650;  // beyond it, nothing is in sight

struct Trend {
  double bytes_per_s = 0;           // of the line, at the time it is asked for
  double per_day = 0;               // bytes/s more each day
  double per_day_low = 0, per_day_high = 0;  // 95 %
  bool is_told = false;             // the interval leaves out zero
};
// At least 2 nights, of different times; ascending.
Trend trend_of(std::span<const NightSum> nights, SystemTime now);

struct Forecast {
  enum class Short { unread, now, on_a_day, not_in_sight } state = Short::unread;
  std::size_t nights = 0;
  std::optional<Trend> trend;
  std::optional<SystemTime> on;                 // on_a_day
  std::optional<SystemTime> earliest, latest;   // by the trend's interval; none: beyond furthest_days
  std::string reason;                           // unread
};
const char* name_of(Forecast::Short state);

// Days from now until a store of `usable_bytes` no longer holds the last `days_to_hold` days, when the rate is `bytes_per_s` now
// and grows by `per_day` each day. None when that never comes within furthest_days; 0 when it is so already.
std::optional<double> days_until_short(double usable_bytes, double days_to_hold, double bytes_per_s, double per_day);

// `days_now` as the newest rates give them.
Forecast forecast_of(std::span<const NightSum> nights, double usable_bytes, double days_to_hold, double days_now, SystemTime now);

}  // namespace tallywire::verdict
