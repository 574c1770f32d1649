// When the chunks of one stream are there to be written: octets arrive evenly at the stream's rate, and a whole chunk is written at
// once. Pure; times are seconds since the begin.
#pragma once

#include <cstdint>

namespace tallywire::volume {

class StreamPace {
 public:
  // `begun_bytes` of the first chunk stand in memory already at 0 s, so that the streams' writes do not fall together.
  StreamPace(double bytes_per_s, double chunk_bytes, double begun_bytes)
      : rate_(bytes_per_s), chunk_(chunk_bytes), begun_(begun_bytes) {}

  // When chunk number `chunk`, counted from 0, has arrived whole.
  double due_s(std::uint64_t chunk) const { return (static_cast<double>(chunk + 1) * chunk_ - begun_) / rate_; }
  // Whole chunks that have arrived by then, in octets, beyond `written` chunks.
  double waiting_bytes(double now_s, std::uint64_t written) const {
    const double chunks = static_cast<double>(static_cast<std::uint64_t>((rate_ * now_s + begun_) / chunk_));
    return chunks > static_cast<double>(written) ? (chunks - static_cast<double>(written)) * chunk_ : 0;
  }
  double bytes_per_s() const { return rate_; }

 private:
  double rate_, chunk_, begun_;
};

}  // namespace tallywire::volume
