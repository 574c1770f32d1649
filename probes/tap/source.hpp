// One media stream on the wire: the packets of one SSRC on one flow, with its meter and with what is known of it. A tap
// may hold ten thousand of them: they live in a pool of large pages. One thread at a time.
#pragma once

#include "probes/stream/meter.hpp"
#include "probes/tap/announcements.hpp"
#include "probes/tap/codec_guess.hpp"
#include "probes/wire/datagram.hpp"

#include <cstdint>
#include <memory>
#include <optional>
#include <string>

namespace tallywire::tap {

// How a stream came to be taken for one, the surest that holds.
enum class RecognisedBy : std::uint8_t { sequence, design, rtcp, rtsp };
const char* name_of(RecognisedBy by);

// What the receiver at the other end says of a stream in its RTCP reports (RFC 3550 §6.4.1).
struct ReceiverSays {
  std::int32_t lost_packets = 0;      // cumulative
  std::uint32_t jitter_ticks = 0;
  std::uint64_t reports = 0;
};

class alignas(64) Source {
 public:
  Source(const wire::Flow& flow, int vlan_tags, std::uint8_t payload_type, RecognisedBy by);

  // The session that set it up says what it is.
  void announce(std::shared_ptr<const AnnouncedMedium> medium);
  void add(const stream::Meter::Seen& seen) {
    if (undecided_) find_out(seen);
    if (const std::uint8_t type = seen.octets[1] & 0x7f; type != payload_type_) {
      ++other_types_;
      other_type_ = type;
    }
    untimed_ = untimed_ || seen.when == SystemTime{};
    meter_.add(seen);
  }
  // `now`: up to when was looked.
  void begin_anew(SystemTime now) {
    if (meter_.packets() > 0 || heard_ == SystemTime{}) heard_ = now;
    meter_ = meter_.begun_anew();
    other_types_ = 0;
    shown_octets = 0;
    receiver = {};
  }
  // When it was begun anew last with packets since the time before.
  SystemTime heard() const { return heard_; }
  void prefetch(std::uint16_t sequence) const {
    __builtin_prefetch(this, 1);
    meter_.prefetch(sequence);
  }
  void prefetch_more(std::uint32_t rtp_time, std::int64_t at_ns) const { meter_.prefetch_more(rtp_time, at_ns); }
  stream::Meter& meter() { return meter_; }
  const stream::Meter& meter() const { return meter_; }

  const wire::Flow& flow() const { return flow_; }
  std::uint8_t payload_type() const { return payload_type_; }
  // Packets of another payload type than the first, and the newest such type.
  std::uint64_t other_types() const { return other_types_; }
  std::uint8_t other_type() const { return other_type_; }
  RecognisedBy by() const { return by_; }
  void recognised(RecognisedBy by) { by_ = std::max(by_, by); }
  const AnnouncedMedium* medium() const { return medium_.get(); }
  // Before a report: a stream too short to have been looked at may have the clock that its meter took for granted.
  void settle();
  // The codec was told by the payload alone; the clock by nobody.
  bool guessed() const { return guessed_; }
  bool codec_known() const { return guessed_ || told_; }
  bool clock_known() const { return clock_known_; }
  // Known by the rate of its time stamps alone.
  bool clock_measured() const { return clock_measured_; }
  // A packet came of which the capture does not tell when.
  bool untimed() const { return untimed_; }
  ReceiverSays receiver;
  // The newest interval of a live table: totals when it was looked at last.
  double shown_octets = 0;

 private:
  void suppose(stream::Codec codec);
  void find_out(const stream::Meter::Seen& seen);
  void learn(stream::MeterSettings settings);
  void find_clock();

  bool undecided_ = true;
  std::uint8_t payload_type_;
  std::uint8_t other_type_ = 0;
  RecognisedBy by_;
  bool guessed_ = false;
  bool told_ = false;
  bool clock_known_ = false;
  bool untimed_ = false;
  bool clock_measured_ = false;
  std::uint64_t other_types_ = 0;
  stream::Meter meter_;
  wire::Flow flow_;
  std::shared_ptr<const AnnouncedMedium> medium_;
  CodecGuess guess_;
  int looked_at_ = 0;
  std::uint32_t last_time_ = 0;
  SystemTime heard_{};
};

}  // namespace tallywire::tap
