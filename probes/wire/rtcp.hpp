// RTCP (RFC 3550 §6.4): sender reports in, receiver reports out.
#pragma once

#include "probes/wire/octets.hpp"

#include <cstdint>
#include <optional>
#include <vector>

namespace tallywire::wire {

struct ReportBlock {
  std::uint32_t ssrc = 0;
  std::uint8_t fraction_lost = 0;       // of 256
  std::int32_t cumulative_lost = 0;     // signed 24 bits
  std::uint32_t extended_highest = 0;
  std::uint32_t jitter = 0;             // RTP time stamp units
  std::uint32_t last_sr = 0;            // middle 32 bits of an NTP time
  std::uint32_t delay_since_sr = 0;     // 1/65 536 s
};

struct SenderReport {
  std::uint32_t ssrc = 0;
  std::uint64_t ntp_time = 0;           // 32.32 fixed point since 1900
  std::uint32_t rtp_time = 0;
  std::uint32_t packets = 0;
  std::uint32_t payload_octets = 0;
  std::vector<ReportBlock> reports;
};

struct ReceiverReport {
  std::uint32_t ssrc = 0;
  std::vector<ReportBlock> reports;
};

struct RtcpCompound {
  std::vector<SenderReport> sender_reports;
  std::vector<ReceiverReport> receiver_reports;
  std::vector<std::uint32_t> goodbyes;  // SSRCs of BYE packets
};

// None when a length does not fit or the version is wrong.
std::optional<RtcpCompound> decode_rtcp(Octets compound);

// A compound packet: receiver report and the SDES CNAME that §6.1 asks of every compound.
std::vector<std::uint8_t> encode_receiver_report(std::uint32_t own_ssrc, const ReportBlock& block,
                                                 const char* cname);

// §4: the middle 32 bits of an NTP time.
constexpr std::uint32_t middle_of(std::uint64_t ntp_time) {
  return static_cast<std::uint32_t>(ntp_time >> 16);
}

// §6.4.1: A - LSR - DLSR in 1/65 536 s; wraps at 32 bits.
constexpr std::uint32_t round_trip(std::uint32_t arrival, std::uint32_t last_sr, std::uint32_t delay) {
  return arrival - last_sr - delay;
}

}  // namespace tallywire::wire
