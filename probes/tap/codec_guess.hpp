// What a stream carries when nobody has told it: from its payload alone. Every packet must fit one format and one alone;
// it is beyond doubt once a parameter set that makes sense is among them, or pictures in fragments that begin and end as
// they must. What has not fitted once is ruled out for good. Without I/O; no allocation.
#pragma once

#include "probes/stream/meter_settings.hpp"
#include "probes/wire/rtp.hpp"

#include <cstdint>
#include <optional>

namespace tallywire::tap {

class CodecGuess {
 public:
  static constexpr int least_with_set = 6;        // packets, with a parameter set among them
  static constexpr int least_without_set = 24;    // and two fragmented pictures
  static constexpr int most_packets = 4096;       // after so many that decided nothing there is no more looking

  // `cut`: the capture holds the payload's beginning only.
  void look(const wire::RtpPacket& packet, bool cut);
  // Beyond doubt.
  std::optional<stream::Codec> decided() const;
  // The only one that fits so far; `unknown` when several do, or none.
  stream::Codec likely() const;
  bool given_up() const { return packets_ >= most_packets || (h264_.out && h265_.out); }

 private:
  struct Evidence {
    bool out = false;            // something did not fit
    bool has_set = false;
    std::optional<bool> inside;  // a fragmented unit has begun and not ended; none: not known after a hole
    int fits = 0;
    int begins = 0, ends = 0;
    void take_fragment(bool begins_here, bool ends_here);
  };
  void look_as_h264(wire::Octets payload, bool cut);
  void look_as_h265(wire::Octets payload, bool cut);
  static bool beyond_doubt(const Evidence& evidence);

  Evidence h264_, h265_;
  int packets_ = 0;
  std::uint16_t next_ = 0;
};

}  // namespace tallywire::tap
