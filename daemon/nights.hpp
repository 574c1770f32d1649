// When the nightly round is due, and which kind of hour a round is of. Pure but for the time zone of the process (tzset).
//
// A night has the local date on which its time of day comes. A time that a change of the clocks skips comes with the change
// (02:30 where 02:00 becomes 03:00: at 03:00); one that comes twice is the first.
#pragma once

#include "probes/reading.hpp"

#include <optional>
#include <string>

namespace tallywire {

struct Night {
  std::string date;  // "2026-11-26"
  SystemTime at{};
};

// `time_of_day` is "HH:MM", as the design's rules have checked it.
Night latest_night(const std::string& time_of_day, SystemTime now);  // its time has come
Night next_night(const std::string& time_of_day, SystemTime now);    // its time comes
// Nights from one date to the other; 0 for the same.
int nights_between(const std::string& from_date, const std::string& to_date);
std::string local_date(SystemTime when);
// The night that a nightly round of this moment belongs to: the one whose time came last, never the one that is still due.
std::string night_of(SystemTime when, const std::optional<std::string>& nightly_at);

// "night" within 90 minutes of the nightly round's time, else the quarter of the local day: "00-06" and so on.
std::string hours_of(SystemTime when, const std::optional<std::string>& nightly_at);

}  // namespace tallywire
