// Sends the streams of a plan for one step: every packet at its time, from one thread, and tells how late it was itself, so that a
// machine that is too slow is not taken for a path that is.
#pragma once

#include "probes/fault.hpp"
#include "probes/path/rehearsal_plan.hpp"

#include <atomic>
#include <cstdint>
#include <vector>

namespace tallywire::path {

struct RehearsalStep {
  std::uint8_t number = 0;
  double scale = 1;
  double seconds = 0;            // no frame begins later
};

struct SentStream {
  std::uint64_t packets = 0, key_packets = 0, frames = 0;
  double payload_octets = 0, wire_octets = 0;
};

struct SendReport {
  std::vector<SentStream> streams;    // as in the plan
  double sent_s = 0;                  // of the step's schedule that were sent: all of it, unless it was stopped
  // How late the last packet of a frame was against its due time; of 99 % of the frames, and of the latest one.
  double pacing_late_p99_ms = 0, pacing_late_most_ms = 0;
  double frames_within_1_ms_ratio = 1;
  std::uint64_t held_packets = 0;     // this machine's own port took them late
  double cpu_s = 0, wall_s = 0;
};

// A UDP socket that sends to one address only.
class RehearsalSocket {
 public:
  static Outcome<RehearsalSocket> to(const std::string& address, std::uint16_t udp_port);
  RehearsalSocket() = default;
  RehearsalSocket(RehearsalSocket&& other) noexcept : fd_(other.fd_) { other.fd_ = -1; }
  RehearsalSocket& operator=(RehearsalSocket&& other) noexcept;
  ~RehearsalSocket();
  int fd() const { return fd_; }

 private:
  int fd_ = -1;
};

// Blocks until the step is sent or `stop` is set (within 50 ms). SSRCs are `first_ssrc` and those behind it. A Fault when the
// socket refuses: nobody listens there any more, or the network is gone.
Outcome<SendReport> send_rehearsal(const RehearsalSocket& socket, const RehearsalPlan& plan, const RehearsalStep& step, std::uint32_t first_ssrc,
                                   const std::atomic<bool>& stop);

}  // namespace tallywire::path
