// One viewer of the benchmark's sender: answers its RTSP, and sends its frames without ever waiting. What the socket
// does not take is counted, never dropped in silence. One thread.
#pragma once

#include "probes/wire/rtsp_message.hpp"
#include "tests/bench/stream_shape.hpp"

#include <netinet/in.h>

#include <cstdint>
#include <span>
#include <string>
#include <vector>

namespace tallywire::bench {

struct SenderCounts {
  int stream = 0;                   // the number in the path
  bool tcp = false;
  std::uint64_t frames = 0;         // sent whole
  std::uint64_t packets = 0;
  std::uint64_t payload_octets = 0;  // of whole frames
  std::uint64_t held_frames = 0;    // the socket took a part at once and the rest later
  std::uint64_t overrun_packets = 0;  // not sent at all: their sequence numbers are missing at the receiver
};

// The one pair of UDP sockets that all viewers are served from.
struct MediaPorts {
  int rtp_fd = -1;
  int rtp_port = 0;
};

class SenderSession {
 public:
  // Owns the connection. `frame_limit` 0: no limit; else media ends after so many frames and the session stays.
  SenderSession(int fd, std::string own_address, const MediaPorts& ports, std::uint64_t frame_limit);
  ~SenderSession();
  SenderSession(const SenderSession&) = delete;
  SenderSession& operator=(const SenderSession&) = delete;

  int fd() const { return fd_; }
  // False: the viewer is gone or sent what is no RTSP.
  bool take_input();
  bool flush();
  bool wants_to_write() const { return !held_.empty(); }
  bool playing() const { return playing_; }
  // Milliseconds after each whole second of the sender's clock at which this stream's key frames are due: the golden
  // ratio spreads any number of streams evenly.
  int offset_ms() const;
  // One frame of the GOP, from the key frame on.
  void send_frame(int frame_in_gop);
  const SenderCounts& counts() const { return counts_; }

 private:
  std::string answer(const wire::RtspMessage& request);
  std::string grant_transport(const wire::RtspMessage& request);
  void write(std::span<const std::uint8_t> octets);
  std::uint64_t send_by_udp(const FrameShape& shape, const std::vector<std::uint8_t>& octets);

  int fd_;
  std::string own_address_;
  const MediaPorts& ports_;
  std::uint64_t frame_limit_;
  sockaddr_in viewer_{};
  bool has_transport_ = false;
  bool playing_ = false;
  bool begun_ = false;
  bool broken_ = false;
  std::uint64_t frames_due_ = 0;
  Stamp stamp_;
  SenderCounts counts_;
  std::vector<std::uint8_t> input_;
  std::vector<std::uint8_t> held_;  // what the connection did not take yet
};

}  // namespace tallywire::bench
