#include "probes/stream/sender_watch.hpp"

#include <algorithm>
#include <cmath>

namespace tallywire::stream {
namespace {

constexpr double ntp_unix_s = 2'208'988'800.0;   // 1900 to 1970, RFC 5905 Fig. 4
constexpr double era_s = 4'294'967'296.0;        // NTP seconds wrap on 2036-02-07
// A site's own network delivers within this (common practice): the path's share of an offset's uncertainty.
constexpr double path_delay_ms = 5;

double seconds_of(std::uint64_t ntp) { return std::ldexp(static_cast<double>(ntp), -32); }

// NTP less our time, in the era that is nearest.
double offset_of(std::uint64_t ntp, SystemTime when) {
  const auto whole = std::chrono::floor<std::chrono::seconds>(when);
  const double fraction_s = std::chrono::duration<double>(when - whole).count();
  const double difference =
      static_cast<double>(ntp >> 32) - (static_cast<double>(whole.time_since_epoch().count()) + ntp_unix_s);
  const double wrapped = difference - std::round(difference / era_s) * era_s;
  return wrapped + seconds_of(ntp & 0xffffffff) - fraction_s;
}

}  // namespace

void SenderWatch::add(const wire::SenderReport& report, SystemTime when, std::int64_t received,
                      std::int64_t expected, std::uint32_t clock_hz) {
  ++count_;
  last_sr_ = wire::middle_of(report.ntp_time);
  last_at_ = when;
  if (in_run_) {
    rtp_ticks_ += static_cast<std::int32_t>(report.rtp_time - last_rtp_);
    sent_ += static_cast<std::uint32_t>(report.packets - last_packets_);
    ++run_;
  } else {
    in_run_ = true;
    run_ = 1;
    clock_hz_ = clock_hz;
    first_ntp_ = report.ntp_time;
    rtp_ticks_ = sent_ = 0;
    first_received_ = received;
    first_expected_ = expected;
  }
  last_ntp_ = report.ntp_time;
  last_rtp_ = report.rtp_time;
  last_packets_ = report.packets;
  last_received_ = received;
  last_expected_ = expected;
  if (report.ntp_time == 0) {
    time_ = Time::none;
    return;
  }
  const double offset_s = offset_of(report.ntp_time, when);
  // §6.4.1: a sender without a wall clock counts from its own start, so the high bit is zero. Before 2036 that
  // is a time of the next era, far ahead of ours.
  constexpr double year_s = 365.0 * 86'400;
  const bool elapsed = report.ntp_time >> 63 == 0 && std::abs(offset_s) > year_s;
  const Time time = elapsed ? Time::elapsed : Time::wall;
  const bool fresh = time_ != time || run_ == 1;
  time_ = time;
  offset_ms_max_ = fresh ? offset_s * 1000 : std::max(offset_ms_max_, offset_s * 1000);
  offset_ms_min_ = fresh ? offset_s * 1000 : std::min(offset_ms_min_, offset_s * 1000);
}

const char* SenderWatch::offset_unread() const {
  if (count_ == 0) return "the unit sent no sender report";
  if (time_ == Time::none) return "the unit's sender reports carry no time of day";
  if (time_ == Time::elapsed) return "the unit's sender reports count from its own start, not the time of day";
  return "";
}

SenderReportSummary SenderWatch::summary() const {
  SenderReportSummary out;
  out.count = count_;
  if (run_ >= 2) {
    out.sent_packets = sent_;
    out.received_packets = last_received_ - first_received_;
  }
  if (time_ == Time::wall) {
    // The report that was least delayed shows the greatest offset; the rest of its delay is not known.
    out.clock_offset_ms = offset_ms_max_;
    out.clock_offset_uncertainty_ms = offset_ms_max_ - offset_ms_min_ + path_delay_ms;
  }
  return out;
}

std::optional<SenderWatch::Slope> SenderWatch::clock() const {
  if (run_ < 2 || first_ntp_ == 0) return std::nullopt;
  const double wall_s = std::ldexp(static_cast<double>(last_ntp_ - first_ntp_), -32);
  constexpr double least_s = 4;
  if (wall_s < least_s || wall_s > 86'400.0 * 365 || rtp_ticks_ <= 0) return std::nullopt;
  const double rtp_s = static_cast<double>(rtp_ticks_) / clock_hz_;
  // A millisecond of rounding at each end: many units write their time in whole milliseconds (common practice).
  return Slope{(rtp_s / wall_s - 1) * 1e6, 2e-3 / wall_s * 1e6};
}

std::optional<std::int64_t> SenderWatch::unaccounted() const {
  if (run_ < 2) return std::nullopt;
  return sent_ - (last_expected_ - first_expected_);
}

}  // namespace tallywire::stream
