// UDP capacity: the greatest rate at which nothing is lost (RFC 1242 §3.17, RFC 2544 §26.1), found by stepping up to loss. Without
// I/O and clock: a trial goes out as an order, what came of it goes in. Rates are on the wire: whole Ethernet frames with
// preamble and gap.
//
// RFC 2544 lets a trial last 60 s. These are short, so a queue on the way could hide in one what it would lose in the next second:
// a trial counts as too much when packets are lost, and also when its delay grows steadily. What is found so is tried once more,
// longer than all before.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include <chrono>
#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::path {

struct TrialOrder {
  double rate_bps = 0;
  std::chrono::milliseconds duration{0};
};

struct Trial {
  double asked_bps = 0;
  double sent_bps = 0;         // really
  double seconds = 0;
  double blocked_s = 0;        // the sender's socket took no more
  std::uint32_t sent = 0, received = 0;
  std::uint32_t dropped_here = 0;  // of the missing: at the receiver's socket
  std::optional<double> delay_growth_ms;
  std::optional<double> arrival_bps;  // of the second half

  std::uint32_t lost() const { return sent > received ? sent - received : 0; }
  double loss_ratio() const { return sent > 0 ? static_cast<double>(lost()) / sent : 0; }
};

struct CapacityReport {
  std::optional<double> capacity_bps, capacity_payload_bps, capacity_packets_per_s;
  std::optional<double> packet_bytes;         // of the IP packet
  bool at_least = false;                      // something before the path limited
  std::string limited_by;                     // "path", "sender", "receiver", "ceiling"
  std::string limited_by_reason;
  std::optional<double> rate_above_bps;       // the lowest that was too much
  std::optional<double> loss_ratio_above, delay_growth_above_ms;
  bool confirmed = false;                     // by the longest trial
  double longest_trial_s = 0, searched_s = 0;
  std::vector<Trial> steps;                   // in their order
  double sent_packets = 0, lost_packets = 0;
  std::string method;
  std::map<std::string, std::string> unread;
};
void to_json(nlohmann::json& out, const CapacityReport& report);

struct SearchSettings {
  double ceiling_bps = 0;
  double packet_bytes = 0;                    // of the IP packet
  double header_bytes = 28;                   // of it: IP and UDP
  std::chrono::milliseconds limit{8000};      // for the whole search
};

class CapacitySearch {
 public:
  explicit CapacitySearch(SearchSettings settings);
  // None: it is over.
  std::optional<TrialOrder> next(double elapsed_s);
  void take(const Trial& trial);
  CapacityReport report(double elapsed_s) const;

 private:
  enum class Phase { climb, narrow, confirm, over };
  bool is_too_much(const Trial& trial) const;
  bool is_certain(const Trial& trial) const;
  bool was_slow(const Trial& trial);
  void take_clean(const Trial& trial);
  void take_too_much(const Trial& trial);
  double between() const;
  double highest_clean() const;
  std::chrono::milliseconds part(double share, double least_s, double most_s) const;

  const SearchSettings settings_;
  Phase phase_ = Phase::climb;
  double rate_bps_;                    // the next trial's
  bool longer_ = false;                // the next of the climb is a repetition
  int slow_ = 0, doubted_ = 0, narrowed_ = 0, confirmations_ = 0;
  std::vector<double> clean_;          // rates at which nothing was amiss
  double above_bps_ = 0;               // the lowest that was too much; 0: none yet
  std::optional<Trial> above_;
  std::optional<double> estimate_bps_;
  double candidate_bps_ = 0;           // to be confirmed, untried; 0: the highest clean one
  double confirmed_bps_ = 0;
  bool tried_to_confirm_ = false, sender_limits_ = false, receiver_limits_ = false, blocked_ = false, harmful_ = false;
  std::vector<Trial> steps_;
  double longest_s_ = 0, sent_ = 0, lost_ = 0;
};

}  // namespace tallywire::path
