#include "probes/path/clock_quality.hpp"

#include <nlohmann/json.hpp>
#include <sys/timex.h>

#include <cerrno>
#include <cmath>
#include <cstring>

namespace tallywire::path {

ClockQuality clock_quality_of(int state, int status, long max_error_us, long estimated_error_us) {
  ClockQuality out;
  out.uncertainty_ms = static_cast<double>(max_error_us + estimated_error_us) / 1000;
  out.synchronised = state != TIME_ERROR && (status & STA_UNSYNC) == 0;
  if (!out.synchronised) out.why_not = "the kernel says that nothing keeps its clock (ntp_adjtime)";
  return out;
}

ClockQuality read_clock_quality() {
  timex told{};
  const int state = ntp_adjtime(&told);
  if (state >= 0) return clock_quality_of(state, told.status, told.maxerror, told.esterror);
  ClockQuality out;
  out.why_not = std::string("the kernel does not tell: ") + std::strerror(errno);
  return out;
}

void to_json(nlohmann::json& out, const ClockQuality& clock) {
  out = {{"synchronised", clock.synchronised}, {"uncertainty_ms", clock.uncertainty_ms}, {"why_not", clock.why_not}};
}

std::optional<ClockQuality> clock_quality_from(const nlohmann::json& in) {
  if (!in.is_object()) return std::nullopt;
  const auto synchronised = in.find("synchronised"), uncertainty = in.find("uncertainty_ms"), why_not = in.find("why_not");
  if (synchronised == in.end() || !synchronised->is_boolean() || uncertainty == in.end() || !uncertainty->is_number() ||
      why_not == in.end() || !why_not->is_string())
    return std::nullopt;
  ClockQuality out{synchronised->get<bool>(), uncertainty->get<double>(), why_not->get<std::string>()};
  if (!std::isfinite(out.uncertainty_ms) || out.uncertainty_ms < 0 || out.synchronised != out.why_not.empty()) return std::nullopt;
  return out;
}

ClockQuality worse_of(const ClockQuality& a, const ClockQuality& b) {
  if (a.synchronised != b.synchronised) return a.synchronised ? b : a;
  return a.uncertainty_ms >= b.uncertainty_ms ? a : b;
}

}  // namespace tallywire::path
