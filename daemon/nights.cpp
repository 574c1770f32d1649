#include "daemon/nights.hpp"

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <ctime>

namespace tallywire {
namespace {

constexpr int minutes_a_day = 24 * 60;
constexpr int near_night_minutes = 90;

std::time_t seconds_of(SystemTime when) { return std::chrono::system_clock::to_time_t(std::chrono::time_point_cast<std::chrono::system_clock::duration>(when)); }

std::tm local_of(std::time_t when) {
  std::tm out{};
  ::localtime_r(&when, &out);
  return out;
}

struct TimeOfDay {
  int hour, minute;
};

TimeOfDay parts_of(const std::string& time_of_day) { return {std::atoi(time_of_day.substr(0, 2).c_str()), std::atoi(time_of_day.substr(3, 2).c_str())}; }

std::string date_text(const std::tm& day) {
  char text[40];
  std::snprintf(text, sizeof text, "%04d-%02d-%02d", day.tm_year + 1900, day.tm_mon + 1, day.tm_mday);
  return text;
}

// The first second between the two at which the clock no longer stands as at `from`.
std::time_t change_between(std::time_t from, std::time_t to) {
  const long before = local_of(from).tm_gmtoff;
  while (to - from > 1) {
    const std::time_t middle = from + (to - from) / 2;
    (local_of(middle).tm_gmtoff == before ? from : to) = middle;
  }
  return to;
}

// The local time on the day that `day` names; mktime brings days beyond a month's end in order.
std::time_t moment(std::tm day, TimeOfDay at) {
  day.tm_hour = at.hour;
  day.tm_min = at.minute;
  day.tm_sec = 0;
  const auto fits = [&](std::time_t t) {
    const auto there = local_of(t);
    return there.tm_hour == at.hour && there.tm_min == at.minute;
  };
  day.tm_isdst = 1;  // where it comes twice, the first is the one in summer time
  auto summer = day;
  if (const auto t = std::mktime(&summer); t != -1 && fits(t)) return t;
  day.tm_isdst = 0;
  auto winter = day;
  const auto t = std::mktime(&winter);
  if (fits(t)) return t;
  constexpr std::time_t around_s = 4 * 3600;
  return change_between(t - around_s, t + around_s);
}

Night night_on(std::tm day, int days_on, TimeOfDay at) {
  day.tm_mday += days_on;
  day.tm_hour = 12;  // noon, so that no change of the clocks moves the date
  day.tm_min = day.tm_sec = 0;
  day.tm_isdst = -1;
  std::mktime(&day);
  return {date_text(day), SystemTime(std::chrono::seconds(moment(day, at)))};
}

}  // namespace

Night latest_night(const std::string& time_of_day, SystemTime now) {
  const auto today = local_of(seconds_of(now));
  for (int back = 0;; ++back)
    if (auto night = night_on(today, -back, parts_of(time_of_day)); night.at <= now || back == 3) return night;
}

Night next_night(const std::string& time_of_day, SystemTime now) {
  const auto today = local_of(seconds_of(now));
  for (int on = 0;; ++on)
    if (auto night = night_on(today, on, parts_of(time_of_day)); night.at > now || on == 3) return night;
}

int nights_between(const std::string& from_date, const std::string& to_date) {
  const auto day_of = [](const std::string& date) {
    std::tm day{};
    if (std::sscanf(date.c_str(), "%d-%d-%d", &day.tm_year, &day.tm_mon, &day.tm_mday) != 3) return std::time_t{0};
    day.tm_year -= 1900;
    day.tm_mon -= 1;
    return ::timegm(&day);
  };
  return static_cast<int>((day_of(to_date) - day_of(from_date)) / 86'400);
}

std::string local_date(SystemTime when) { return date_text(local_of(seconds_of(when))); }

std::string night_of(SystemTime when, const std::optional<std::string>& nightly_at) {
  return nightly_at ? latest_night(*nightly_at, when).date : local_date(when);
}

std::string hours_of(SystemTime when, const std::optional<std::string>& nightly_at) {
  const auto local = local_of(seconds_of(when));
  const int minutes = local.tm_hour * 60 + local.tm_min;
  if (nightly_at) {
    const auto at = parts_of(*nightly_at);
    const int apart = std::abs(minutes - (at.hour * 60 + at.minute));
    if (std::min(apart, minutes_a_day - apart) <= near_night_minutes) return "night";
  }
  static const char* const quarters[] = {"00-06", "06-12", "12-18", "18-24"};
  return quarters[local.tm_hour / 6];
}

}  // namespace tallywire
