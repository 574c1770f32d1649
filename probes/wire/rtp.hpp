// RTP (RFC 3550): the header, sequence numbers, jitter.
#pragma once

#include "probes/wire/octets.hpp"

#include <cstdint>
#include <optional>

namespace tallywire::wire {

struct RtpPacket {
  bool marker = false;
  std::uint8_t payload_type = 0;
  std::uint16_t sequence = 0;
  std::uint32_t timestamp = 0;
  std::uint32_t ssrc = 0;
  std::uint16_t extension_profile = 0;  // §5.3.1; meaningful when `extended`
  bool extended = false;
  Octets extension;  // the words of the header extension; a view, as `payload` is
  Octets payload;    // without CSRCs, extension and padding; a view into what was decoded
};

// §5.1. None when it is not RTP version 2 or a length does not fit.
std::optional<RtpPacket> decode_rtp(Octets packet);

// The same of a packet that a capture has cut: `whole_octets` is its length on the wire. What was not captured of the payload
// counts in `payload_octets`, with its padding, whose length nobody can tell.
struct CutRtpPacket {
  RtpPacket packet;
  std::size_t payload_octets = 0;
};
std::optional<CutRtpPacket> decode_cut_rtp(Octets captured, std::size_t whole_octets);

// True for what RFC 5761 §4 tells to be RTCP when both share a port: payload types 64 to 95.
bool looks_like_rtcp(Octets packet);

// Validity of a source by A.1: two packets in sequence before it is believed, jumps refused.
class SequenceValidity {
 public:
  static constexpr std::uint16_t max_dropout = 3000;
  static constexpr std::uint16_t max_misorder = 100;
  static constexpr int min_sequential = 2;

  // The sample code of A.1: true when the packet is accepted. The first packet of a source is on
  // probation and not accepted.
  bool update(std::uint16_t sequence);
  std::uint32_t extended_highest() const { return cycles_ + highest_; }
  std::uint32_t base() const { return base_; }
  // A.3: highest - base + 1 (the text of §6.4.1 leaves out the 1).
  std::int64_t expected() const { return std::int64_t{extended_highest()} - base_ + 1; }
  std::int64_t received() const { return received_; }
  std::int64_t lost() const { return expected() - received_; }

 private:
  void restart(std::uint16_t sequence);
  bool seen_any_ = false;
  int probation_ = min_sequential;
  std::uint16_t highest_ = 0;
  std::uint32_t cycles_ = 0;
  std::uint32_t base_ = 0;
  std::uint32_t bad_ = 0x10001;  // no 16-bit number follows it
  std::int64_t received_ = 0;
};

// A.3: eight bits of lost * 256 / expected in an interval; 0 when duplicates outweigh losses.
std::uint8_t fraction_lost(std::int64_t expected, std::int64_t lost);
// §6.4.1: cumulative loss held to a signed 24-bit number.
std::int32_t clamp_cumulative(std::int64_t lost);

// A.8: interarrival jitter in RTP time stamp units, in floating point. Runs over every packet in the order of
// arrival, those of one frame (which share a time stamp) and duplicates too, as A.8 does. Time stamps wrap at 32 bits.
class Jitter {
 public:
  // `arrival`: in time stamp units too; only its differences count.
  void add(std::uint32_t rtp_time, double arrival) {
    if (any_) {
      const double d = arrival - arrival_ - static_cast<double>(static_cast<std::int32_t>(rtp_time - rtp_time_));
      jitter_ += ((d < 0 ? -d : d) - jitter_) / 16.0;
    }
    rtp_time_ = rtp_time;
    arrival_ = arrival;
    any_ = true;
  }
  double value() const { return jitter_; }

 private:
  bool any_ = false;
  std::uint32_t rtp_time_ = 0;
  double arrival_ = 0;
  double jitter_ = 0;
};

}  // namespace tallywire::wire
