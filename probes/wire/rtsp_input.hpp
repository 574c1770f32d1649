// Cuts what came over one RTSP connection into interleaved frames and messages (RFC 2326 §10.12), in whatever pieces it
// came. Frames are handed out where they lie; only one that is cut by the end of a piece is copied.
#pragma once

#include "probes/wire/octets.hpp"
#include "probes/wire/rtsp_message.hpp"

#include <cstdint>
#include <string>
#include <vector>

namespace tallywire::wire {

class RtspInput {
 public:
  enum class Came { need_more, frame, message, malformed };

  explicit RtspInput(RtspLimits limits = {}) : limits_(limits) {}

  // What came next. It is looked at, not copied: it must stay as it is until next() has answered need_more.
  void give(Octets piece) { fresh_ = piece; }
  // The next item. After malformed nothing but malformed comes: there is no telling where the next item would begin.
  Came next();

  // Of the last item; valid until the next call of give() or next().
  std::uint8_t channel() const { return channel_; }
  Octets packet() const { return packet_; }
  RtspMessage& message() { return message_; }
  const std::string& fault() const { return fault_; }
  // Octets that are kept for an item that is not whole yet.
  std::size_t held() const { return rest_.size(); }

 private:
  Came whole_frame(Octets frame);
  Came finish_frame();
  Came finish_message();
  Came begin_item();
  Came take(ParsedRtsp item);

  RtspLimits limits_;
  Octets fresh_;
  std::vector<std::uint8_t> rest_;  // the beginning of one item
  bool rest_is_done_ = false;       // it was handed out whole: dropped at the next call
  std::uint8_t channel_ = 0;
  Octets packet_;
  RtspMessage message_;
  std::string fault_;
};

}  // namespace tallywire::wire
