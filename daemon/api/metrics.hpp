// What a scraper reads: the text exposition format 0.0.4. Labels are bounded by the design: presences, verdicts, uplinks; never
// a stream or a unit. Pure.
#pragma once

#include "daemon/record/record.hpp"

#include <nlohmann/json.hpp>

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::api {

inline constexpr const char* metrics_type = "text/plain; version=0.0.4; charset=utf-8";

struct Metrics {
  std::vector<std::pair<std::string, int>> cameras;   // how many of each presence
  std::size_t strangers = 0;
  record::RecordSize size;
  std::int64_t last_event = 0;
  std::size_t feed_listeners = 0;
  std::optional<record::RoundHead> last_round;        // the newest complete round of the whole site
  std::optional<record::RoundHead> last_night;        // the newest complete nightly round: the heartbeat
  nlohmann::json uplinks = nlohmann::json::array();   // headroom rows of the newest round that has them
  bool record_fault = false;
};

std::string metrics_text(const Metrics& metrics);

}  // namespace tallywire::api
