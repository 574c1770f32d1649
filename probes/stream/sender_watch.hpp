// What a unit's RTCP sender reports say (RFC 3550 §6.4.1): how much it has sent, what time it has, and how its RTP
// clock runs against that time. Constant memory; no I/O; one thread at a time.
#pragma once

#include "probes/stream/report.hpp"
#include "probes/wire/rtcp.hpp"

#include <cstdint>
#include <optional>

namespace tallywire::stream {

class SenderWatch {
 public:
  // `received`, `expected`: packets of the source up to now.
  void add(const wire::SenderReport& report, SystemTime when, std::int64_t received, std::int64_t expected,
           std::uint32_t clock_hz);
  // Another source or session: its reports are not compared with those before.
  void begin_anew() { in_run_ = false; }

  std::int64_t count() const { return count_; }
  SenderReportSummary summary() const;
  // Why there is no clock offset, a constant; empty when there is one.
  const char* offset_unread() const;

  struct Slope {
    double ppm = 0;
    double half_width = 0;
  };
  // The RTP clock against the unit's own wall clock; positive: the RTP clock is fast. None below 4 s or two reports.
  std::optional<Slope> clock() const;
  // Packets that the unit counts as sent beyond those its numbers account for, between the first and last report.
  std::optional<std::int64_t> unaccounted() const;

  // For receiver reports: the newest report's middle NTP bits and when it came.
  std::optional<std::uint32_t> last_sr() const { return last_sr_; }
  SystemTime last_at() const { return last_at_; }

 private:
  enum class Time { none, elapsed, wall };

  std::int64_t count_ = 0;
  bool in_run_ = false;
  std::int64_t run_ = 0;               // reports of the run
  std::uint32_t clock_hz_ = 90000;
  std::uint64_t first_ntp_ = 0, last_ntp_ = 0;
  std::uint32_t last_rtp_ = 0, last_packets_ = 0;
  std::int64_t rtp_ticks_ = 0;         // since the first of the run
  std::int64_t sent_ = 0;
  std::int64_t first_received_ = 0, first_expected_ = 0;
  std::int64_t last_received_ = 0, last_expected_ = 0;
  Time time_ = Time::none;
  double offset_ms_max_ = 0, offset_ms_min_ = 0;
  std::optional<std::uint32_t> last_sr_;
  SystemTime last_at_{};
};

}  // namespace tallywire::stream
