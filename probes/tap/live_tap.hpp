// A tap on an interface, for as long as it is held: capture threads share its load, each stream on one of them (the
// kernel spreads frames by their two addresses, so that a session, its media and their RTCP stay together). An interface
// that goes down or away is waited for; the time without it is a gap, not loss. What the capture itself drops is
// counted. Any thread may look; a look holds a capture thread up for as long as it takes.
#pragma once

#include "probes/fault.hpp"
#include "probes/tap/tap_report.hpp"

#include <atomic>
#include <cstdint>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <thread>
#include <vector>

struct pcap;

namespace tallywire::tap {

// One line of the live table: what a stream sent since the look before.
struct LiveRow {
  TappedStream stream;
  double wire_bps = 0;
};

class LiveTap {
 public:
  static constexpr int most_threads = 16;

  // `threads`: 0 takes as many as there are cores, but for one. A Fault when the interface cannot be captured from.
  static Outcome<std::unique_ptr<LiveTap>> open(const std::string& interface, TapSettings settings, int threads = 0);
  ~LiveTap();
  LiveTap(const LiveTap&) = delete;
  LiveTap& operator=(const LiveTap&) = delete;

  // Everything since the beginning, or since the newest take_report().
  TapReport report();
  // The heaviest streams of the time since the call before, at most `most`, and how many streams there are that
  // sent since the newest take_report().
  std::vector<LiveRow> heaviest(std::size_t most, std::size_t& streams);
  // How many streams there are, without those silent since the newest take_report().
  std::size_t streams();
  // Of what the next report covers.
  CaptureLoss loss();
  // The report as it stands, and all meters begin anew: for a tap that is held all day.
  TapReport take_report();
  // Why nothing is captured now, as when the interface is down; none when it is.
  std::optional<std::string> away() const;

 private:
  struct Lane;
  LiveTap(std::string interface, TapSettings settings);
  Outcome<void> open_lanes();
  void close_lanes();
  void supervise();
  void capture(Lane& lane);
  bool pause(int milliseconds);
  CaptureLoss loss_in_all();
  TapReport report(bool begin_anew);

  std::string interface_;
  TapSettings settings_;
  int wake_ = -1;  // eventfd: ends all threads
  std::vector<std::unique_ptr<Lane>> lanes_;
  std::thread supervisor_;
  mutable std::mutex state_mutex_;
  std::string away_;
  CaptureLoss lost_before_;    // by captures that were closed
  CaptureLoss loss_reported_;  // up to the newest take_report()
  CaptureLoss loss_just_before_;  // of that report: what its ring still held may show the gap in the next one
  std::chrono::steady_clock::time_point looked_at_{};
};

}  // namespace tallywire::tap
