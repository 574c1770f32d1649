// Which quantities are watched for drift, how each is compared and with which tolerance. For drift*.cpp alone.
#pragma once

#include "config/design.hpp"
#include "daemon/verdict/drift.hpp"

#include <optional>
#include <string>

namespace tallywire::verdict {

enum class DriftWay { at_once, in_a_row, level };
// How a number becomes one that a tolerance can be added to.
enum class DriftScale { none, ratio, share, amount };

struct WatchedQuantity {
  const char* quantity;
  const char* aspect;
  DriftWay way = DriftWay::at_once;
  DriftScale scale = DriftScale::none;
  double config::Limits::*tolerance = nullptr;
};

// nullptr: not watched.
const WatchedQuantity* watched(const std::string& quantity);

// What a share is taken of: an uplink's ceiling for measured_bps, its speed for busiest_bps. By subject, blank, quantity.
std::map<std::string, double> full_of(const config::Design& design);

// None where the scale does not hold for the number (a rate of 0, an uplink that the design does not know).
std::optional<double> scaled(const WatchedQuantity& w, double value, const std::map<std::string, double>& full, const std::string& key);
double unscaled(const WatchedQuantity& w, double value, const std::map<std::string, double>& full, const std::string& key);
// The tolerance on that scale. A ratio holds up and down alike: as many times more as times less.
double scaled_tolerance(const WatchedQuantity& w, const config::Limits& limits);

std::string drift_key(const std::string& subject, const std::string& quantity);
nlohmann::json value_of(const Reading& reading);
// A sentence: "gate-north, link speed: 100 Mbit/s, was 1 Gbit/s".
std::string change_text(const std::string& subject, const std::string& quantity, const nlohmann::json& was, const nlohmann::json& is);

}  // namespace tallywire::verdict
