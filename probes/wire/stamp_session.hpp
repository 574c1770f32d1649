// The two ends of a STAMP session (RFC 8762) without I/O and clock: packets and times in, packets and a log out.
// One thread at a time. Times are nanoseconds; "unix" ones count from 1970 in UTC.
#pragma once

#include "probes/wire/stamp.hpp"

#include <cstdint>
#include <limits>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::wire {

// What was thrown away, and why.
struct StampIgnored {
  std::uint64_t wrong_length_packets = 0;
  std::uint64_t wrong_hmac_packets = 0;
  std::uint64_t no_error_estimate_packets = 0;
  std::uint64_t stray_packets = 0;    // of another session, or a number that was never sent
  std::uint64_t over_rate_packets = 0;
  std::uint64_t all() const { return wrong_length_packets + wrong_hmac_packets + no_error_estimate_packets + stray_packets + over_rate_packets; }
  void count(StampRead read);
};

// The reflector's end.
class StampReflection {
 public:
  struct Settings {
    StampMode mode = StampMode::unauthenticated;
    std::string key;
    bool stateful = true;              // §4.3: counts what it sends
    std::uint16_t session_id = 0;      // 0: any
    std::uint32_t most_packets = 0;    // numbers below this are told apart from their duplicates; 0: none are
    std::uint32_t most_per_s = std::numeric_limits<std::uint32_t>::max();
  };
  explicit StampReflection(Settings settings) : settings_(std::move(settings)), seen_(settings_.most_packets, false) {}

  // A packet that came at `received_unix_ns` with this TTL; none when it is not to be answered. `sent_unix_ns`: the moment of
  // sending, as near as the caller can tell.
  std::optional<std::vector<std::uint8_t>> answer(Octets packet, std::int64_t received_unix_ns, std::uint8_t ttl,
                                                  std::int64_t sent_unix_ns, const StampErrorEstimate& estimate);

  std::uint64_t reflected_packets() const { return reflected_; }
  std::uint64_t received_packets() const { return received_; }      // each number once, where they are told apart
  std::uint64_t duplicate_packets() const { return duplicates_; }
  const StampIgnored& ignored() const { return ignored_; }

 private:
  bool within_rate(std::int64_t now_ns);

  Settings settings_;
  std::vector<bool> seen_;
  std::uint64_t reflected_ = 0, received_ = 0, duplicates_ = 0;
  std::int64_t second_begin_ns_ = std::numeric_limits<std::int64_t>::min();
  std::uint32_t in_second_ = 0;
  StampIgnored ignored_;
};

// One answer, in the order in which they came. Own times are of a clock that never steps.
struct StampArrival {
  std::uint32_t sequence_number = 0;            // of the request
  std::uint32_t reflector_sequence_number = 0;
  std::int64_t reflector_received_unix_ns = 0;
  std::int64_t reflector_sent_unix_ns = 0;
  std::int64_t received_ns = 0;
  StampErrorEstimate reflector_estimate;
  std::uint8_t sender_ttl = 0;                  // of the request when it reached the reflector
  std::uint8_t ttl = 0;                         // of the answer when it reached us; 0: not told
  bool first = true;                            // no answer to this request came before
};

// The sender's end: what was sent, what came back.
class StampLog {
 public:
  struct Settings {
    StampMode mode = StampMode::unauthenticated;
    std::string key;
    std::uint16_t session_id = 0;
    std::size_t packet_octets = stamp_octets;
    std::uint32_t most_packets = 0;  // ceiling of sending
  };
  enum class Took { answer, duplicate, ignored };

  explicit StampLog(Settings settings);

  // The next packet; none at the ceiling. `now_ns` is of the clock that never steps.
  std::optional<std::vector<std::uint8_t>> next(std::int64_t now_unix_ns, std::int64_t now_ns, const StampErrorEstimate& estimate);
  // The kernel saw the packet leave, so long after its time stamp was written.
  void left(std::uint32_t sequence_number, std::int64_t lag_ns);
  Took take(Octets packet, std::int64_t received_unix_ns, std::int64_t received_ns, std::uint8_t ttl);

  struct Sent {
    std::uint64_t timestamp = 0;  // as it crossed
    std::int64_t sent_ns = 0;     // with the lag, where the kernel told it
    std::int64_t lag_ns = -1;     // -1: not told
    bool answered = false;
  };
  const std::vector<Sent>& sent() const { return sent_; }
  const std::vector<StampArrival>& arrivals() const { return arrivals_; }
  std::uint64_t answered_packets() const { return answered_; }
  const StampIgnored& ignored() const { return ignored_; }

  // An answer may come twice; more than so many times the number sent is nobody's network.
  static constexpr std::uint64_t most_arrivals_per_packet = 4;

 private:
  Settings settings_;
  std::vector<Sent> sent_;
  std::vector<StampArrival> arrivals_;
  std::uint64_t answered_ = 0;
  StampIgnored ignored_;
};

}  // namespace tallywire::wire
