// A coded picture sequence of one GOP, looped, and padded with filler data so that it has exactly the bit rate
// asked for. The pictures come from ffmpeg's encoders; filler NAL units (H.264 type 12, H.265 type 38) are valid
// and change no picture.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

namespace tallywire::site {

using Bytes = std::vector<std::uint8_t>;

struct StreamPlan {
  std::string path;            // "/head/1/main"
  bool h265 = false;
  std::string file;            // Annex B, one slice a picture, repeated parameter sets
  double frame_rate_hz = 25;
  double bit_rate_bps = 1e6;   // RTP payload octets
  int gop_frames = 25;
  int base_port = 0;           // UDP: first server port
};

class Clip {
 public:
  // Throws std::runtime_error when the file holds no whole GOP.
  explicit Clip(const StreamPlan& plan);
  // RTP payloads of the next picture, filled to its share of the bit rate.
  std::vector<Bytes> next();
  std::string sdp_format() const;  // rtpmap and fmtp lines for payload type 96

 private:
  struct Picture {
    std::vector<Bytes> nals;
    bool key = false;
  };
  void split(const Bytes& nal, std::vector<Bytes>& out) const;
  double payload_octets(std::size_t nal_octets) const;
  Bytes filler(std::size_t octets) const;

  StreamPlan plan_;
  std::vector<Picture> pictures_;
  Bytes vps_, sps_, pps_;
  std::size_t at_ = 0;
  double owed_octets_ = 0;     // what earlier pictures were short of their share
};

}  // namespace tallywire::site
