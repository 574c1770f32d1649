// The meter: RTP packets of one stream in, with the time each was caught; a StreamReport out. No I/O, no
// clock of its own, memory that does not grow with the stream. The receiver and the tap both feed it.
//
// Jitter is that of RFC 3550 A.8 over every packet as it came, duplicates and packets of the same frame too; only
// packets that A.1 refuses and nothing confirms are left out. Loss counts each number once, so that a duplicate hides
// none. A meter belongs to one thread at a time; nothing is allocated for a packet, but for a parameter set that
// differs from the one before.
#pragma once

#include "probes/stream/frame_log.hpp"
#include "probes/stream/meter_settings.hpp"
#include "probes/stream/picture_watch.hpp"
#include "probes/stream/rate_windows.hpp"
#include "probes/stream/report.hpp"
#include "probes/stream/sender_watch.hpp"
#include "probes/stream/sequence_log.hpp"
#include "probes/wire/rtcp.hpp"
#include "probes/wire/rtp.hpp"

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

namespace tallywire::stream {

class Meter {
 public:
  explicit Meter(MeterSettings settings);

  // One RTP packet as it stood on the wire, header included. Malformed octets are counted, never thrown.
  void add(std::span<const std::uint8_t> packet, SystemTime when);
  // The same as a tap saw it: what the capture holds of it (at most its `whole_octets`), and how long the link was busy
  // with it where the frame itself was seen; 0: reckoned from the wrapping.
  struct Seen {
    std::span<const std::uint8_t> octets;
    std::size_t whole_octets = 0;
    double wire_octets = 0;
    SystemTime when{};
  };
  void add(const Seen& seen);
  void add_rtcp(std::span<const std::uint8_t> compound, SystemTime when);
  // TCP: octets that crossed beside the RTP packets (interleaved framing, RTSP).
  void add_tcp_overhead(std::uint64_t octets) { tcp_overhead_ += octets; }
  // TCP: how many octets a segment carried on the mean, where the kernel has counted them; without it full segments are
  // taken for granted.
  void tell_tcp_segment(double octets);
  // The session broke and will be resumed: the next packet begins a new stretch, whatever its source, number and
  // time stamp. The time between is told as a gap; nothing in it is loss and no rate covers it.
  void interrupt();
  // A tap knows that its own capture lacks something here: numbers that are missing before the next packet are not lost.
  void excuse() { excused_next_ = true; }
  // What the stream is, told when packets have come already: from now on its payload is looked into. Before, it must have
  // been unknown. Jitter is reckoned anew when the clock differs from the one that was taken for granted.
  void learn(MeterSettings settings);
  // The rate by which its time stamps run against the arrivals, in Hz, whatever clock the meter was told; none as long as
  // too little came. A tap that nobody told the clock recognises it so.
  std::optional<double> measured_clock_hz() const;
  const MeterSettings& settings() const { return settings_; }
  // A packet of this number will come soon: fetches what add() touches.
  void prefetch(std::uint16_t sequence) const;
  // Once that is there: what a packet of this time touches beyond it, one that begins a frame or a slot of time.
  void prefetch_more(std::uint32_t rtp_time, std::int64_t at_ns) const;

  std::uint64_t packets() const { return packets_; }
  std::optional<std::uint32_t> ssrc() const { return ssrc_; }
  StreamReport report() const;
  // For a track beside the main video: rate and loss.
  TrackReport track_report() const;
  // All that it has counted of the wire, in octets; grows with every packet that is not a duplicate.
  double wire_octets_in_all() const { return frames_.wire_octets(); }
  // A meter of the same stream that has counted nothing yet; what parameter sets have told stays known, and numbers go on:
  // what is lost between the two is counted by the new one.
  Meter begun_anew() const;
  // What a receiver report says of this source since the last call (RFC 3550 §6.4.1, A.3).
  wire::ReportBlock take_reception(SystemTime now);
  const RateWindows& windows() const { return windows_; }
  // All packets have one RTP time, over at least so long.
  bool time_stands_still_for(double seconds) const { return frames_.never_stepped() && static_cast<double>(last_ns_ - first_ns_) / 1e9 >= seconds; }
  // Packets that excuse() was for.
  std::int64_t not_captured() const { return sequence_.excused(); }

 private:
  // Gaps beyond this many are counted, not listed.
  static constexpr std::size_t most_gaps = 64;

  // The first packet of another source, held until a second one confirms it.
  struct Candidate {
    std::uint32_t ssrc = 0;
    std::uint16_t sequence = 0;
    PacketFacts facts;
  };

  void add(const wire::RtpPacket& packet, PacketFacts& facts);
  bool accept_source(const wire::RtpPacket& packet, const PacketFacts& facts);
  void begin_stretch();
  bool count(std::uint16_t sequence, PacketFacts& facts);
  void take_jump(const PacketFacts& facts);
  void record(const PacketFacts& facts);
  void look_into(const wire::RtpPacket& packet);
  void note_hole(std::int64_t missing, std::int64_t silence_ns);
  bool look_into_h264(wire::Octets payload);
  bool look_into_h265(wire::Octets payload);
  bool look_into_jpeg(const wire::RtpPacket& packet);
  bool look_into_audio(const wire::RtpPacket& packet);

  void report_picture(StreamReport& out) const;
  // `clock` is reckoned once for a report: it is the dearest of all.
  using Clock = std::optional<ClockEstimate>;
  void report_frame_rates(StreamReport& out, const Clock& clock) const;
  void report_gops(StreamReport& out) const;
  void report_windows(StreamReport& out) const;
  void report_rates(StreamReport& out, const Clock& clock) const;
  void report_packets(StreamReport& out) const;
  void report_clocks(StreamReport& out, const Clock& clock) const;
  void find_what_broke(StreamReport& out) const;
  void find_what_is_odd(StreamReport& out) const;
  void find_contradictions(StreamReport& out, const Clock& clock) const;
  void count_track_frames(TrackReport& out, const StreamReport& whole) const;
  double overhead_bps() const;
  double doubtful_octets(bool whole_gops) const;
  double seconds_of(std::int64_t ticks, const Clock& clock) const;
  double jitter_ms() const;
  bool contradicts(const ClockEstimate& clock) const;

  // Touched by every packet.
  std::optional<std::uint32_t> ssrc_;
  Codec codec_;
  std::uint32_t clock_hz_;
  bool interrupted_ = false;
  bool excused_next_ = false;
  bool is_cut_ = false;  // by the capture: the packet that is looked into
  bool candidate_held_ = false;
  std::uint64_t packets_ = 0;
  std::uint64_t stretch_packets_ = 0;
  std::int64_t first_ns_ = 0;
  std::int64_t last_ns_ = 0;
  double ticks_per_ns_;
  wire::Jitter jitter_;
  SequenceLog sequence_;
  FrameLog frames_;
  RateWindows windows_;

  MeterSettings settings_;
  PictureWatch pictures_;
  SenderWatch sender_;
  Candidate candidate_;
  PacketFacts jump_;  // the packet that the sequence log has refused
  std::uint64_t tcp_overhead_ = 0;
  std::int64_t largest_hole_packets_ = 0, largest_hole_ns_ = 0;  // numbers missing at once, and the silence before
  std::uint64_t malformed_ = 0;
  std::uint64_t foreign_ = 0;
  std::uint64_t bad_payloads_ = 0;
  std::uint64_t interleaved_payloads_ = 0;  // RFC 6184 §5.4 Table 3: not of modes 0 and 1
  std::uint64_t reserved_payloads_ = 0;
  std::uint64_t paci_payloads_ = 0;
  int source_changes_ = 0;
  float wire_scale_ = 1;  // of what was counted for full TCP segments
  std::optional<std::uint32_t> past_ssrc_;  // while none is known after an interruption
  double past_jitter_ = 0;
  std::vector<Gap> gaps_;
  std::uint64_t gaps_not_listed_ = 0;

  std::int64_t reported_expected_ = 0;
  std::int64_t reported_received_ = 0;
};

}  // namespace tallywire::stream
