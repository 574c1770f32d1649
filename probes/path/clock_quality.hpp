// What the kernel knows of this machine's clock (ntp_adjtime(3)). Any thread.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include <optional>
#include <string>

namespace tallywire::path {

struct ClockQuality {
  bool synchronised = false;  // something keeps it to UTC, and the kernel was told so
  // Half width of what it may be off: the kernel's maximum error and its estimate of the error, in sum. As good as meaningless
  // while not synchronised.
  double uncertainty_ms = 0;
  std::string why_not;        // set exactly when it is not synchronised
};

ClockQuality read_clock_quality();
// What `state` and the fields of `struct timex` say: a state of TIME_ERROR (5) or the flag STA_UNSYNC is no synchronised clock.
ClockQuality clock_quality_of(int state, int status, long max_error_us, long estimated_error_us);

void to_json(nlohmann::json& out, const ClockQuality& clock);
// None when it is not what to_json wrote.
std::optional<ClockQuality> clock_quality_from(const nlohmann::json& in);
// Of two looks at one clock: the less trusted.
ClockQuality worse_of(const ClockQuality& a, const ClockQuality& b);

}  // namespace tallywire::path
