// What a TCP throughput measurement between two Tallywires found.
#pragma once

#include "probes/reading.hpp"

#include <nlohmann/json_fwd.hpp>

#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::path {

enum class Direction { to_far_end, from_far_end };

struct ThroughputReport {
  Direction direction = Direction::to_far_end;
  std::optional<double> goodput_bps;          // payload octets by the receiver's count
  std::optional<double> duration_s;           // counted, after the start was left out
  std::optional<double> received_bytes;
  std::optional<double> round_trip_ms;        // smoothed, under load (the sender's TCP_INFO)
  std::optional<double> round_trip_min_ms;
  std::optional<double> retransmitted_packets;
  std::optional<double> segment_bytes;        // MSS
  std::string method;
  SystemTime when{};
  std::map<std::string, std::string> unread;
};

void to_json(nlohmann::json& out, const ThroughputReport& report);
// tcp_goodput_bps, round_trip_ms
std::vector<Reading> to_readings(const ThroughputReport& report, const std::string& subject);

}  // namespace tallywire::path
