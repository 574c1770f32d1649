// What a STAMP session found: delay, loss, delay variation and order, each way where that can be told. Pure: a session's log
// in, a report out.
//
// Differences of delays need no equal clocks, but clocks that run alike: how much they do not is bounded by lines under the
// least delays of both ways, and taken out. Delays one way need both clocks known to be good. A clock that was set meanwhile
// is noticed where its machine tells, else when it was set by more than the round trip.
#pragma once

#include "probes/path/clock_quality.hpp"
#include "probes/path/delay_order.hpp"
#include "probes/path/delay_spread.hpp"
#include "probes/reading.hpp"
#include "probes/wire/stamp_session.hpp"

#include <nlohmann/json_fwd.hpp>

#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::path {

// What the far end counted of a session.
struct ReflectorCount {
  std::uint64_t received_packets = 0;   // each once
  std::uint64_t duplicate_packets = 0;
  std::uint64_t reflected_packets = 0;
  std::uint64_t ignored_packets = 0;
  std::int64_t clock_moved_ns = 0;       // its wall clock against its monotonic one
  std::vector<std::int32_t> lags_100ns;  // of its answers, by its numbers: from the time in one to its leaving; -1: not told
};

struct DelayInput {
  std::vector<wire::StampLog::Sent> sent;
  std::vector<wire::StampArrival> arrivals;
  wire::StampIgnored ignored;
  bool authenticated = false;
  bool is_tallywire = true;              // the reflector counts its answers and sends them with a TTL of 255
  std::optional<ReflectorCount> reflector;
  ClockQuality here;
  std::optional<ClockQuality> there;     // none: only its packets tell
  std::int64_t clock_moved_ns = 0;       // this machine's wall clock against its monotonic one
  double sending_s = 0;
  double packets_per_s = 0;
  std::size_t packet_octets = 0;
  bool gave_up = false;                  // a host that has not agreed did not answer
  std::uint64_t refused = 0;             // ICMP: nobody listens there
  SystemTime when{};
};

// One way. Delays in ms.
struct DelayWay {
  std::optional<double> lost_packets, loss_ratio, duplicate_packets;
  std::optional<double> hops;     // routers between, by the TTL
  Spread one_way;
  Spread variation;               // above the least delay (RFC 5481 §4.2)
  Spread consecutive;             // of one packet against the one before (RFC 3393), signed
  Spread consecutive_size;        // the same without its sign
  std::optional<Order> order;
  std::map<std::string, std::string> unread;
};

struct DelayReport {
  std::uint64_t sent_packets = 0, answered_packets = 0, duplicate_packets = 0;
  std::uint64_t undecided_lost_packets = 0;  // lost nobody knows on which way
  bool authenticated = false;
  wire::StampIgnored ignored;
  std::optional<double> far_ignored_packets;  // what the far end threw away
  std::size_t packet_octets = 0;
  double packets_per_s = 0, duration_s = 0;
  Spread round_trip;         // without the reflector's time
  Spread reflector_time;
  Spread send_lag;           // between a packet's time stamp and its leaving, in this machine; taken out
  Spread reflector_lag;      // the same in the far end; taken out where it tells
  std::optional<bool> stateful;
  std::optional<double> clock_skew_ppm, clock_skew_half_width_ppm;  // positive: the reflector's clock is fast
  std::optional<double> one_way_uncertainty_ms;
  LossPattern loss;          // of the round trip
  DelayWay to, from;
  std::vector<std::string> notes;
  std::string method;
  SystemTime when{};
  std::map<std::string, std::string> unread;
};

DelayReport delay_report_of(const DelayInput& input);

// How far one-way delays may be off; a reason in place of it when either clock is not known to be good. `told` is the error
// estimate in the reflector's packets.
struct OneWayTrust {
  std::optional<double> uncertainty_ms;
  std::string why_not;
};
OneWayTrust one_way_trust_of(const ClockQuality& here, const std::optional<ClockQuality>& there, const wire::StampErrorEstimate& told,
                             std::int64_t clock_moved_ns);

// docs/commands.md, "path".
void to_json(nlohmann::json& out, const DelayReport& report);
// round_trip_min_ms, round_trip_median_ms, round_trip_p99_ms, packet_loss_ratio; of each way to_… and from_…: loss_ratio,
// variation_p99_ms, reordered_ratio, one_way_median_ms.
std::vector<Reading> to_readings(const DelayReport& report, const std::string& subject);

}  // namespace tallywire::path
