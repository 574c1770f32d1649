#include "daemon/verdict/forecast.hpp"

#include <algorithm>
#include <chrono>
#include <cmath>
#include <utility>

namespace tallywire::verdict {
namespace {

constexpr double seconds_per_day = 86'400;

double days_between(SystemTime from, SystemTime to) { return std::chrono::duration<double>(to - from).count() / seconds_per_day; }

SystemTime after_days(SystemTime now, double days) {
  return now + std::chrono::nanoseconds(static_cast<std::int64_t>(days * seconds_per_day * 1e9));
}

double median(std::vector<double> values) {
  std::sort(values.begin(), values.end());
  const auto half = values.size() / 2;
  return values.size() % 2 ? values[half] : (values[half - 1] + values[half]) / 2;
}

}  // namespace

const char* name_of(Forecast::Short state) {
  switch (state) {
    case Forecast::Short::now: return "now";
    case Forecast::Short::on_a_day: return "on_a_day";
    case Forecast::Short::not_in_sight: return "not_in_sight";
    case Forecast::Short::unread: break;
  }
  return "unread";
}

Trend trend_of(std::span<const NightSum> nights, SystemTime now) {
  std::vector<double> slopes, times, rates;
  for (std::size_t i = 0; i < nights.size(); ++i) {
    times.push_back(days_between(now, nights[i].when));
    rates.push_back(nights[i].bytes_per_s);
    for (std::size_t j = 0; j < i; ++j)
      if (times[i] > times[j]) slopes.push_back((rates[i] - rates[j]) / (times[i] - times[j]));
  }
  Trend out;
  if (slopes.empty()) return out;
  std::sort(slopes.begin(), slopes.end());
  out.per_day = median(slopes);
  out.bytes_per_s = median(rates) - out.per_day * median(times);
  // Sen 1968: the slopes of rank (N - C) / 2 and (N + C) / 2 + 1, counted from 1.
  const double n = static_cast<double>(nights.size()), count = static_cast<double>(slopes.size());
  const double spread = 1.959964 * std::sqrt(n * (n - 1) * (2 * n + 5) / 18);
  const double low = std::floor((count - spread) / 2) - 1, high = std::ceil((count + spread) / 2);
  const bool told = low >= 0 && high < count;  // else there are too few for any interval
  out.per_day_low = slopes[told ? static_cast<std::size_t>(low) : 0];
  out.per_day_high = slopes[told ? static_cast<std::size_t>(high) : slopes.size() - 1];
  out.is_told = told && (out.per_day_low > 0 || out.per_day_high < 0);
  return out;
}

// What was written in the last H days until t is H * (a + b * (t - H / 2)): short when that is more than the store takes.
std::optional<double> days_until_short(double usable_bytes, double days_to_hold, double bytes_per_s, double per_day) {
  const double most_bytes_per_s = usable_bytes / (days_to_hold * seconds_per_day);
  if (bytes_per_s - per_day * days_to_hold / 2 > most_bytes_per_s) return 0.0;
  if (per_day <= 0) return std::nullopt;
  const double days = (most_bytes_per_s - bytes_per_s) / per_day + days_to_hold / 2;
  if (days > furthest_days) return std::nullopt;
  return std::max(0.0, days);
}

Forecast forecast_of(std::span<const NightSum> nights, double usable_bytes, double days_to_hold, double days_now, SystemTime now) {
  Forecast out;
  out.nights = nights.size();
  if (days_now < days_to_hold) {
    out.state = Forecast::Short::now;
    out.on = now;
  }
  if (nights.size() < least_nights) {
    out.reason = std::to_string(nights.size()) + " nights with all of its streams are kept, " + std::to_string(least_nights) + " are needed";
    return out;
  }
  out.trend = trend_of(nights, now);
  if (out.state == Forecast::Short::now) return out;
  const auto day = [&](double per_day) -> std::optional<SystemTime> {
    const auto days = days_until_short(usable_bytes, days_to_hold, out.trend->bytes_per_s, per_day);
    return days ? std::optional(after_days(now, *days)) : std::nullopt;
  };
  out.state = Forecast::Short::not_in_sight;
  // Rates that fall make no store short that holds enough at the newest ones.
  if (!out.trend->is_told || out.trend->per_day <= 0 || !(out.on = day(out.trend->per_day))) return out;
  out.state = Forecast::Short::on_a_day;
  out.earliest = day(out.trend->per_day_high);
  out.latest = day(out.trend->per_day_low);
  // Where the line is above what the store takes already, a steeper one was lower before, and the days come the other way round.
  if (!out.earliest || (out.latest && *out.latest < *out.earliest)) std::swap(out.earliest, out.latest);
  return out;
}

}  // namespace tallywire::verdict
