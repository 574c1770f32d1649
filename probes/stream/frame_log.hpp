// Frames, key frames and groups of pictures out of a stream's packets, and the octets between them. A frame is what
// shares an RTP time stamp (RFC 6184 §5.1, RFC 7798 §4.1, RFC 2435 §3). Time stamps that begin anew (another source, a
// broken session, a jump) end a stretch: sums go on, and nothing between two stretches enters a rate. Constant
// memory; no I/O; one thread at a time.
#pragma once

#include "probes/stream/clock_envelope.hpp"

#include <cstdint>
#include <optional>

namespace tallywire::stream {

// One packet that is not a duplicate, as the log needs it.
struct PacketFacts {
  std::uint32_t rtp_time = 0;
  bool in_order = true;         // false: it is late and belongs to the past
  bool marker = false;
  std::int64_t missing = 0;     // numbers missing just before it
  std::int64_t at_ns = 0;       // when it was caught
  std::uint32_t payload_octets = 0;
  double wire_octets = 0;
};

// Sums over all stretches. Octets are those between the first and the last mark of each.
struct Between {
  std::int64_t count = 0;   // frames or GOPs
  std::int64_t frames = 0;
  std::int64_t ticks = 0;   // RTP time
  std::int64_t payload_octets = 0;
  double wire_octets = 0;
  std::int64_t units = 0;   // access units of audio
};

class FrameLog {
 public:
  // `by_picture`: only a packet with a picture in it makes a frame, as parameter sets may carry a time stamp of their
  // own.
  FrameLog(std::uint32_t clock_hz, bool by_picture)
      : clock_hz_(clock_hz == 0 ? 90000 : clock_hz), by_picture_(by_picture) {}

  // Another clock or rule than at the start: the stream was not known then. What has been counted stays, rates begin anew.
  void learn(std::uint32_t clock_hz, bool by_picture);
  // Fetches what each packet touches; then what one touches that begins a frame.
  void prefetch() const {
    __builtin_prefetch(this, 1);
    __builtin_prefetch(&here_, 1);
    __builtin_prefetch(&here_ + 1, 1);
  }
  // Whether a time stamp is one of the last ten seconds.
  bool is_past(std::uint32_t rtp_time) const {
    const auto step = static_cast<std::int32_t>(rtp_time - static_cast<std::uint32_t>(rtp_time_));
    return in_stretch_ && step < 0 && step > -10 * static_cast<std::int64_t>(clock_hz_);
  }
  bool would_begin(std::uint32_t rtp_time) const { return rtp_time != static_cast<std::uint32_t>(rtp_time_); }
  void prefetch_more() const {
    for (const auto* at = reinterpret_cast<const char*>(&begin_); at < reinterpret_cast<const char*>(&known_gops_); at += 64) __builtin_prefetch(at, 1);
    envelope_.prefetch();
  }

  // False when the packet belongs to a frame of the past: then none of the next three is to be called for it.
  bool add(const PacketFacts& packet);
  // Of the packet that was added last: it carries (a piece of) a picture; of a key frame; so many access units.
  void picture() { has_picture_ = true; }
  void key();
  void units(unsigned count) { here_.units += count; }
  // The next packet begins another stretch.
  void end_stretch();

  // Whether a packet that came behind a great gap in the numbers goes on in time where the stretch stopped.
  bool goes_on(std::uint32_t rtp_time, std::int64_t at_ns) const;

  std::int64_t frames() const { return here_.frames + past_frames_; }
  Between frame_sums() const;   // frame to frame
  Between gop_sums() const;     // key frame to key frame; `count` GOPs
  double metered_s() const;     // first to last packet, without the time between stretches
  std::int64_t payload_octets() const { return here_.payload_octets; }
  double wire_octets() const { return here_.wire_octets; }
  std::int64_t units_total() const { return here_.units; }

  std::int64_t keys() const { return keys_ + past_keys_; }
  bool never_stepped() const { return in_stretch_ && received_frames_ == 1 && past_frames_ == 0; }
  bool has_keys() const { return has_keys_; }
  struct Gops {
    std::int64_t count = 0, frames = 0, ticks = 0;
    std::int64_t frames_min = 0, frames_max = 0;
  };
  // GOPs in which no key frame can have been lost; where there are none, the others if they are all alike, since a key
  // frame that is missing makes two of them one. The sums above hold every GOP.
  Gops gops() const;
  std::int64_t whole_keys() const { return whole_keys_; }
  std::int64_t key_octets() const { return key_octets_; }
  std::int64_t key_octets_max() const { return key_octets_max_; }
  std::int64_t frame_octets_max() const { return frame_octets_max_; }
  std::int64_t lost_frames() const { return lost_frames_; }       // lost whole, by gaps in numbers and time stamps
  std::int64_t doubtful_frames() const { return doubtful_; }      // of these: the step is no multiple of the usual
  std::int64_t left_out_frames() const { return left_out_; }      // never sent: time stamps step over them, no loss
  std::int64_t time_jumps() const { return time_jumps_; }
  bool reorders() const { return reorders_; }                     // time stamps go back: frames out of display order
  std::optional<ClockEstimate> clock() const;
  double clock_span_s() const;

 private:
  // Counts up to a frame's begin; octets and units run on over all stretches, frames begin anew with each.
  struct Mark {
    std::int64_t rtp_time = 0;  // extended
    std::int64_t frames = 0;
    std::int64_t payload_octets = 0;
    double wire_octets = 0;
    std::int64_t units = 0;
  };
  static void sum_up(Between& sums, const Mark& from, const Mark& to);

  void begin_stretch(const PacketFacts& packet);
  void begin_frame(std::int64_t step, const PacketFacts& packet);
  void finish_frame(bool followed_at_once);
  std::int64_t lost_between(std::int64_t step, std::int64_t missing);
  void take_step(std::int64_t step);
  void count_gop(std::int64_t frames, std::int64_t ticks);
  bool jumped(std::int64_t step, std::int64_t at_ns) const;
  std::int64_t nanoseconds(std::int64_t ticks) const;
  const Mark& newest() const { return has_picture_ || !by_picture_ ? begin_ : counted_; }

  // Touched by every packet.
  std::int64_t rtp_time_ = 0;       // of the newest frame, extended
  std::int64_t last_at_ns_ = 0;
  std::int64_t frame_octets_ = 0;
  std::int64_t frame_missing_ = 0;
  std::uint32_t clock_hz_;
  bool by_picture_;
  bool in_stretch_ = false;
  bool has_picture_ = false;
  bool is_key_ = false;
  bool marked_ = false;
  bool reorders_ = false;
  bool has_keys_ = false;
  std::uint32_t largest_payload_ = 0;
  Mark here_;                       // counts up to now

  Mark begin_;                      // where the newest frame began
  Mark counted_;                    // where the newest frame that has shown a picture began, but for the newest
  std::int64_t begun_at_ns_ = 0;    // the newest frame's first packet
  std::int64_t first_at_ns_ = 0;    // of the stretch
  std::int64_t delay_ns_ = 0, least_delay_ns_ = 0;  // of frames against the first of the stretch
  std::int64_t latest_rtp_time_ = 0;
  std::int64_t received_frames_ = 0;
  std::int64_t usual_step_ = 0;
  std::int64_t odd_step_ = 0, odd_count_ = 0;

  Mark first_;                      // of the stretch
  Mark first_key_, last_key_;
  std::int64_t keys_ = 0;
  Gops known_gops_, doubtful_gops_;
  bool gop_is_doubtful_ = false;
  std::int64_t key_octets_min_ = 0;
  std::int64_t whole_keys_ = 0;
  std::int64_t key_octets_ = 0, key_octets_max_ = 0, frame_octets_max_ = 0;
  std::int64_t lost_frames_ = 0, doubtful_ = 0, left_out_ = 0, time_jumps_ = 0;

  std::int64_t past_frames_ = 0, past_keys_ = 0, past_ns_ = 0;
  Between past_frame_sums_, past_gop_sums_;
  std::optional<ClockEstimate> past_clock_;
  ClockEnvelope envelope_;
};

}  // namespace tallywire::stream
