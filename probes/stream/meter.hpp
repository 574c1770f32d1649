// The meter: RTP packets of one stream in, with the time each was caught; a StreamReport out. No I/O, no
// clock of its own, memory that does not grow with the stream. The receiver and the tap both feed it.
#pragma once

#include "probes/stream/rate_windows.hpp"
#include "probes/stream/report.hpp"
#include "probes/stream/sequence_log.hpp"
#include "probes/wire/h264.hpp"
#include "probes/wire/rtcp.hpp"
#include "probes/wire/rtp.hpp"

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

namespace tallywire::stream {

enum class Codec { unknown, h264, h265, jpeg, other };

// Codec of an RTP encoding name ("H264", in any case).
Codec codec_of(const std::string& encoding_name);

// How a packet is wrapped on the wire, for wire_bps.
struct Wrapping {
  enum class Transport { udp, multicast, tcp };
  Transport transport = Transport::udp;
  bool ipv6 = false;
  int vlan_tags = 0;
};

// Octets that a link is busy with for one RTP packet: UDP, IP, Ethernet header, FCS, preamble, gap; at
// least a minimum frame (RFC 5180 App. A, IEEE 802.3). For TCP: its share of full 1448-octet segments.
double wire_octets(std::size_t rtp_octets, const Wrapping& wrapping);

struct MeterSettings {
  Codec codec = Codec::unknown;
  std::string encoding_name;
  std::uint32_t clock_hz = 90000;
  Wrapping wrapping;
  std::vector<std::vector<std::uint8_t>> parameter_sets;  // NAL units of the SDP; may be empty
};

class Meter {
 public:
  explicit Meter(MeterSettings settings);

  // One RTP packet as it stood on the wire, header included. Malformed octets are counted, never thrown.
  void add(std::span<const std::uint8_t> packet, SystemTime when);
  void add_rtcp(std::span<const std::uint8_t> compound, SystemTime when);
  // TCP: octets that crossed beside the RTP packets (interleaved framing, RTSP).
  void add_tcp_overhead(std::uint64_t octets) { tcp_overhead_ += octets; }

  std::uint64_t packets() const { return packets_; }
  std::optional<std::uint32_t> ssrc() const { return ssrc_; }
  StreamReport report() const;
  // What a receiver report says of this source since the last call (RFC 3550 §6.4.1, A.3).
  wire::ReportBlock take_reception(SystemTime now);
  const RateWindows& windows() const { return windows_; }

 private:
  // Where a key frame began: what lies between two of these is whole GOPs.
  struct Mark {
    std::int64_t rtp_time = 0;     // extended
    std::int64_t frame = 0;
    std::uint64_t payload_octets = 0;
    double wire_octets = 0;
  };

  bool accept_source(const wire::RtpPacket& packet);
  void begin_frame(std::int64_t rtp_time);
  void end_frame();
  void look_into(wire::Octets payload);
  void take_nal(unsigned type, wire::Octets octets, bool begins);
  void take_parameter_set(wire::Octets nal);
  void report_rates(StreamReport& out) const;
  void report_frames(StreamReport& out) const;
  void report_picture(StreamReport& out) const;

  MeterSettings settings_;
  std::optional<std::uint32_t> ssrc_;
  std::uint32_t candidate_ssrc_ = 0;
  int candidate_packets_ = 0;
  std::uint64_t packets_ = 0;
  std::uint64_t malformed_ = 0;
  std::uint64_t foreign_ = 0;
  std::uint64_t bad_payloads_ = 0;
  int source_changes_ = 0;
  std::uint64_t payload_octets_ = 0;
  double wire_octets_ = 0;
  std::uint64_t tcp_overhead_ = 0;
  SystemTime first_{};
  SystemTime last_{};
  SequenceLog sequence_;
  wire::Jitter jitter_;
  RateWindows windows_;

  bool in_frame_ = false;
  std::int64_t rtp_time_ = 0;         // of the newest frame, extended
  std::int64_t first_rtp_time_ = 0;
  std::int64_t frames_ = 0;           // begun; with those that were lost whole
  std::int64_t usual_step_ = 0;       // RTP time between frames
  std::uint64_t frame_octets_ = 0;
  bool frame_is_key_ = false;
  Mark frame_begin_;

  std::optional<Mark> first_key_;
  Mark last_key_;
  std::int64_t keys_ = 0;
  std::uint64_t key_octets_ = 0;      // of finished key frames
  std::int64_t finished_keys_ = 0;
  std::uint64_t key_octets_max_ = 0;

  std::optional<wire::PictureFormat> picture_;
  std::vector<std::uint8_t> parameter_set_;
  bool picture_changed_ = false;

  std::optional<wire::SenderReport> sender_report_;
  SystemTime sender_report_at_{};
  std::int64_t reported_expected_ = 0;
  std::int64_t reported_received_ = 0;
};

}  // namespace tallywire::stream
