// What the service does with the bench that somebody runs: hands it the roll, and tells its warnings.
#include "daemon/site_service.hpp"

#include <nlohmann/json.hpp>
#include <spdlog/spdlog.h>

namespace tallywire {

round::BenchParts SiteService::bench_parts() {
  const auto warn = [this](const round::BenchClock& clock) {
    spdlog::warn("bench: {}", round::bench_warning(clock));
    nlohmann::json data = clock;
    data["at"] = to_rfc3339(now_utc());
    parts_.feed.publish("bench", data);
  };
  return {parts_.design, roll_, bench_instruments_, [this] { return watch_.starts(); }, started_, warn};
}

Outcome<void> SiteService::start_bench(const std::vector<std::string>& cameras) {
  const auto started = bench_.start(cameras);
  if (!started) return started.error();
  return {};
}

}  // namespace tallywire
