// What a TCP throughput measurement between two Tallywires found, and what the method of RFC 6349 makes of it.
#pragma once

#include "probes/path/bulk_tcp.hpp"
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
  // By the receiver.
  std::optional<double> goodput_bps;          // payload octets
  std::optional<double> duration_s;           // counted, after the start was left out
  std::optional<double> received_bytes;
  std::optional<double> receiver_cpu_ratio;   // its thread was on a CPU or waited for one
  // By the sender's kernel and the sending thread, while counted.
  std::optional<double> round_trip_ms;        // smoothed, under load: the mean
  std::optional<double> round_trip_min_ms;
  std::optional<double> retransmitted_packets;
  std::optional<double> segment_bytes;        // MSS
  std::optional<double> sent_bytes, sent_again_bytes;  // the whole connection, payload
  std::optional<double> delivery_bps;         // what the path delivers, payload
  std::optional<double> window_offered_bytes;
  std::optional<double> busy_ratio, window_full_ratio, send_buffer_full_ratio;
  std::optional<double> sender_waited_ratio, sender_held_ratio, sender_cpu_ratio;
  std::string congestion_control;
  // By the method.
  std::optional<double> path_mtu_bytes;       // of an IP packet
  std::optional<double> base_round_trip_ms;   // unloaded: the least
  std::optional<double> bottleneck_bps;       // on the wire, all that a frame costs it
  std::string bottleneck_by;
  std::optional<double> bandwidth_delay_product_bytes, window_needed_bytes, connections_needed;
  std::optional<double> ideal_goodput_bps, achieved_ratio, transfer_time_ratio, tcp_efficiency_ratio, buffer_delay_ratio;
  std::string limited_by, limited_by_reason, try_next;
  double ceiling_bps = 0;                     // 0: none
  std::string method;
  SystemTime when{};
  std::map<std::string, std::string> unread;
};

// What the sender knows. `now`: the connection's counters once all was received, where they could be read.
void take_sender(ThroughputReport& out, const BulkSent& sent, const std::optional<TcpCounters>& now);
// The same out of a far end's answer, whose types are checked; what is not there is unread.
void take_sender(ThroughputReport& out, const nlohmann::json& answer);
// Fills in the method's part. `wire_bps`: the bottleneck's rate on the wire where UDP has found it; else it is what TCP delivered.
void apply_method(ThroughputReport& report, std::optional<double> path_mtu_bytes, std::optional<double> wire_bps);

void to_json(nlohmann::json& out, const ThroughputReport& report);
// tcp_goodput_bps, round_trip_ms
std::vector<Reading> to_readings(const ThroughputReport& report, const std::string& subject);

}  // namespace tallywire::path
