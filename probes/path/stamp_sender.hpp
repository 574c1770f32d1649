// A Session-Sender of RFC 8762 on a thread of its own: paces packets, collects answers, and waits for the last ones.
// Opened, looked at and finished by one thread.
#pragma once

#include "probes/path/clock_quality.hpp"
#include "probes/path/delay_session.hpp"
#include "probes/path/stamp_socket.hpp"
#include "probes/wire/stamp_session.hpp"

#include <atomic>
#include <chrono>
#include <memory>
#include <mutex>
#include <thread>
#include <vector>

namespace tallywire::path {

struct StampSenderSettings {
  boost::asio::ip::udp::endpoint reflector;
  wire::StampMode mode = wire::StampMode::unauthenticated;
  std::string key;
  std::uint16_t session_id = 0;
  std::chrono::nanoseconds duration{0};
  double packets_per_s = 50;
  std::size_t packet_octets = wire::stamp_octets;
  bool has_agreed = true;  // false: asked slowly until it answers, and no more after some packets without an answer
};

// How a host is asked that has not agreed beforehand.
inline constexpr double unagreed_packets_per_s = 10;
inline constexpr std::uint32_t unagreed_packets = 5;
// For the last answers, or for the first one of a host that has not agreed.
inline constexpr std::chrono::seconds answer_wait{2};

struct StampRun {
  std::vector<wire::StampLog::Sent> sent;
  std::vector<wire::StampArrival> arrivals;
  wire::StampIgnored ignored;
  std::int64_t clock_moved_ns = 0;      // this machine's wall clock against its monotonic one, from begin to end
  ClockQuality clock;                   // the worse of the begin and the end
  std::uint64_t unsent_packets = 0;     // that the kernel did not take
  std::uint64_t unstamped_packets = 0;  // answers whose arrival the kernel did not tell
  std::uint64_t refused = 0;            // ICMP said that nobody listens there
  bool gave_up = false;                 // the host did not answer, so it was asked no more
  double sending_s = 0;                 // of sending
};

class StampSender {
 public:
  static Outcome<std::unique_ptr<StampSender>> open(StampSenderSettings settings);
  ~StampSender();
  StampSender(const StampSender&) = delete;
  StampSender& operator=(const StampSender&) = delete;

  bool ended() const { return ended_; }
  DelayTick tick() const;
  // Sends no more and waits for nothing more.
  void stop();
  // Once, after it has ended or was stopped.
  StampRun finish();

 private:
  StampSender(StampSenderSettings settings, StampSocket socket);
  void run();
  bool goes_on(std::int64_t now_ns);
  void send_due(std::int64_t now_ns);
  void drain();
  void note_left();
  void tell(std::int64_t now_ns);
  double round_trip_ms(const wire::StampArrival& arrival) const;

  StampSenderSettings settings_;
  StampSocket socket_;
  StampClock clock_;
  wire::StampLog log_;
  wire::StampErrorEstimate estimate_;
  StampRun run_;
  std::int64_t interval_ns_, begin_ns_ = 0, next_ns_ = 0, last_sent_ns_ = 0, last_new_ns_ = 0, told_ns_ = 0;
  bool sending_ = true;
  std::size_t looked_for_lost_ = 0;  // packets before this are older than the time after which they count as lost
  std::uint64_t lost_ = 0;
  double min_ms_;
  std::vector<double> recent_ms_;
  mutable std::mutex telling_;
  DelayTick tick_;
  Waker waker_;
  std::atomic<bool> stopped_{false}, ended_{false};
  std::thread thread_;  // last: it uses the rest
};

}  // namespace tallywire::path
