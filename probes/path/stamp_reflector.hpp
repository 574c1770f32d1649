// A Session-Reflector of RFC 8762 on a UDP port and a thread of its own: answers those it was told to answer, and nobody else.
// Opened and ended by one thread; ending takes as long as waking the reflector's.
#pragma once

#include "probes/path/stamp_socket.hpp"
#include "probes/wire/stamp_session.hpp"

#include <boost/asio/ip/address.hpp>

#include <atomic>
#include <memory>
#include <thread>
#include <vector>

namespace tallywire::path {

struct StampReflectorSettings {
  boost::asio::ip::address local;
  std::uint16_t udp_port = 0;                       // 0: any
  std::vector<boost::asio::ip::address> askers;     // who is answered
  wire::StampReflection::Settings session;
};

struct StampReflectorCounts {
  std::uint64_t received_packets = 0;    // each number once
  std::uint64_t duplicate_packets = 0;
  std::uint64_t reflected_packets = 0;   // handed to the kernel
  std::uint64_t unsent_packets = 0;      // that the kernel did not take
  std::uint64_t foreign_packets = 0;     // from addresses that are not answered
  std::uint64_t unstamped_packets = 0;   // whose arrival the kernel did not tell, so that this program's own time stands for it
  std::int64_t clock_moved_ns = 0;       // this machine's wall clock against its monotonic one, from begin to end
  wire::StampIgnored ignored;
  // Of each answer, in the order of sending: how long after the time in it the kernel handed it to the card, in units of
  // 100 ns; -1: not told. Of the first most_lags answers, and none once the kernel has refused one.
  std::vector<std::int32_t> lags_100ns;
};

class StampReflector {
 public:
  static Outcome<std::unique_ptr<StampReflector>> open(StampReflectorSettings settings);
  ~StampReflector() { end(); }
  StampReflector(const StampReflector&) = delete;
  StampReflector& operator=(const StampReflector&) = delete;

  std::uint16_t port() const { return socket_.port(); }
  // Answers no more. What it counted.
  StampReflectorCounts end();
  static constexpr std::size_t most_lags = 100'000;

 private:
  StampReflector(StampReflectorSettings settings, StampSocket socket);
  void run();
  void drain();
  void take(const StampSocket::Datagram& datagram);
  void note_left();
  void look_at_clock();

  StampReflectorSettings settings_;
  StampSocket socket_;
  wire::StampReflection reflection_;
  StampClock clock_;
  wire::StampErrorEstimate estimate_;
  std::int64_t looked_at_ns_ = 0;
  StampReflectorCounts counts_;
  std::vector<std::int64_t> sent_unix_ns_;  // of the first answers
  Waker waker_;
  std::atomic<bool> stopped_{false};
  std::thread thread_;  // last: it uses the rest
};

}  // namespace tallywire::path
