// What a stream carries when nobody has told it: from its payload alone. A parameter set that makes sense decides; else the
// payload headers of many packets, which must all fit one format and none of another. Without I/O; no allocation.
#pragma once

#include "probes/stream/meter_settings.hpp"
#include "probes/wire/rtp.hpp"

#include <cstdint>
#include <optional>

namespace tallywire::tap {

class CodecGuess {
 public:
  // Packets of a frame in a row that must fit before headers alone decide.
  static constexpr int least_packets = 24;
  // After so many packets that decided nothing there is no more looking.
  static constexpr int most_packets = 4096;

  // The codec, once it is beyond doubt.
  std::optional<stream::Codec> look(const wire::RtpPacket& packet);
  // The same of a packet that the capture has cut: its payload's own header alone counts.
  std::optional<stream::Codec> look_at_head(wire::RtpPacket packet);
  bool given_up() const { return packets_ >= most_packets; }

 private:
  struct Evidence {
    int fits = 0;
    int begins = 0, ends = 0;   // fragmentation units
    bool out = false;           // something did not fit
    bool inside = false;        // a unit has begun and not ended
  };
  bool look_as_h264(const wire::RtpPacket& packet);
  bool look_as_h265(const wire::RtpPacket& packet);
  static bool enough(const Evidence& evidence);

  Evidence h264_, h265_;
  int packets_ = 0;
  std::uint16_t next_ = 0;
};

}  // namespace tallywire::tap
