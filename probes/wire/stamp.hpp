// Packets of the Simple Two-way Active Measurement Protocol (STAMP, RFC 8762), with the session identifier of RFC 8972 §3.
// Without I/O and clock. Field names are the standard's own; times stand as they cross, 64 bits whose format the error
// estimate beside them tells. No length is trusted: what is too short is refused, what is longer is left alone.
#pragma once

#include "probes/wire/octets.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::wire {

inline constexpr std::uint16_t stamp_udp_port = 862;                // RFC 8762 §4.1
inline constexpr std::size_t stamp_octets = 44;                     // unauthenticated, §4.2.1
inline constexpr std::size_t stamp_authenticated_octets = 112;      // §4.2.2
inline constexpr std::size_t least_stamp_request_octets = 14;       // what TWAMP's senders send at least, RFC 4656 §4.1.2
inline constexpr std::size_t largest_stamp_octets = 9216;           // ours: a jumbo frame; longer ones are refused

enum class StampMode { unauthenticated, authenticated };

inline std::size_t least_octets(StampMode mode) {
  return mode == StampMode::authenticated ? stamp_authenticated_octets : stamp_octets;
}

enum class StampTimeFormat { ntp, ptp };  // 32.32 bits since 1900; seconds and nanoseconds since 1970

// How far a time stamp may be off: multiplier · 2^(scale − 32) s (RFC 4656 §4.1.2; the format bit Z: RFC 8762 §4.2.1).
struct StampErrorEstimate {
  bool synchronised = false;  // S: the clock follows UTC by an outside source
  StampTimeFormat format = StampTimeFormat::ntp;
  std::uint8_t scale = 0;       // 0 to 63
  std::uint8_t multiplier = 1;  // 0: the packet is to be discarded
  double seconds() const;
  bool operator==(const StampErrorEstimate&) const = default;
};
StampErrorEstimate decode_error_estimate(std::uint16_t octets);
std::uint16_t encode_error_estimate(const StampErrorEstimate& estimate);
// The least estimate that is not below `seconds`, which must be at least 0; the largest there is when none is.
StampErrorEstimate error_estimate_of(double seconds, bool synchronised);

// `unix_ns`: nanoseconds since 1970 in UTC. Seconds of 32 bits wrap (NTP's on 2036-02-07): the era taken is the one nearest
// to `near_unix_ns`, so a time within 68 years of it comes out right.
std::uint64_t stamp_time_of(std::int64_t unix_ns, StampTimeFormat format);
std::int64_t unix_ns_of(std::uint64_t stamp_time, StampTimeFormat format, std::int64_t near_unix_ns);

struct StampRequest {
  std::uint32_t sequence_number = 0;
  std::uint64_t timestamp = 0;
  StampErrorEstimate error_estimate;
  std::uint16_t session_id = 0;  // RFC 8972 §3; 0: without extensions
  bool operator==(const StampRequest&) const = default;
};

struct StampAnswer {
  std::uint32_t sequence_number = 0;  // the reflector's count, or the sender's number where it keeps none (§4.3)
  std::uint64_t timestamp = 0;
  StampErrorEstimate error_estimate;
  std::uint16_t session_id = 0;
  std::uint64_t receive_timestamp = 0;
  std::uint32_t sender_sequence_number = 0;
  std::uint64_t sender_timestamp = 0;
  std::uint16_t sender_error_estimate = 0;  // as it came
  std::uint8_t sender_ttl = 0;              // with which the request arrived
  bool operator==(const StampAnswer&) const = default;
};

enum class StampRead {
  read,
  wrong_length,       // shorter than the mode's packets, or longer than largest_stamp_octets
  wrong_hmac,         // §4.4: not made with this key
  no_error_estimate,  // its multiplier is 0, or its time has more nanoseconds than a second
};

// `key` counts in authenticated mode only: HMAC-SHA-256 over the first 96 octets, its first 16 octets (§4.4).
StampRead decode_stamp_request(Octets packet, StampMode mode, const std::string& key, StampRequest& out);
StampRead decode_stamp_answer(Octets packet, StampMode mode, const std::string& key, StampAnswer& out);

// As long as asked for: the mode's least, or at least 4 octets more, which an Extra Padding TLV fills (RFC 8972 §4.1); other
// lengths are lengthened to the next that can be. A reflector without extensions copies it like any octets.
std::vector<std::uint8_t> encode_stamp_request(const StampRequest& request, StampMode mode, const std::string& key, std::size_t octets);
// As long as the request, its octets beyond the answer's own copied; never shorter than the mode's least (§4.6).
std::vector<std::uint8_t> encode_stamp_answer(const StampAnswer& answer, StampMode mode, const std::string& key, Octets request);

}  // namespace tallywire::wire
