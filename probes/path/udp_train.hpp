// Sends and receives the trains of a UDP measurement. Blocking; on threads of their own.
#pragma once

#include "probes/path/train_counter.hpp"
#include "probes/path/udp_socket.hpp"

#include <atomic>
#include <chrono>
#include <mutex>
#include <optional>
#include <thread>

namespace tallywire::path {

struct TrainPlan {
  std::uint16_t trial = 0;
  std::uint32_t packets = 0;
  double gap_ns = 0;             // between the beginnings of two packets
  std::size_t packet_bytes = 0;  // of the IP packet
};

struct TrainSent {
  std::uint32_t packets = 0;
  double seconds = 0;            // the first to the last, and one gap
  double blocked_s = 0;          // of that: the socket took no more
  int error = 0;                 // errno's value that ended it early; 0: none
};

// Spread evenly, in pieces of at most half a millisecond, 64 packets at a time at most. When it is late by more than 20 ms (or one
// gap, where that is longer) what is late is not made good: a burst would harm the path as no steady rate does.
TrainSent send_train(UdpSocket& socket, const UdpToken& token, const TrainPlan& plan, const std::atomic<bool>& stop);

// Receives on a thread of its own until it is gone: counts the trains, answers hello and probe. The first hello from `expected`
// connects the socket to its sender; what has not the token is nobody's.
class TrainReceiver {
 public:
  TrainReceiver(UdpSocket& socket, const UdpToken& token, boost::asio::ip::address expected);
  ~TrainReceiver();
  // Waits until all of the trial came, or for `quiet` nothing came; `limit` at most, less after a stop.
  TrainCount wait_for(std::uint16_t trial, std::chrono::milliseconds quiet, std::chrono::milliseconds limit, const std::atomic<bool>& stop);
  bool wait_for_hello(std::chrono::milliseconds limit, const std::atomic<bool>& stop);

 private:
  void run();
  void take(const UdpSocket::Arrival& arrival);

  UdpSocket& socket_;
  const UdpToken token_;
  const boost::asio::ip::address expected_;
  std::mutex mutex_;  // what follows
  TrainCounter counter_;
  std::chrono::steady_clock::time_point last_arrival_{};
  std::uint32_t dropped_before_ = 0;
  std::uint16_t trial_ = 0;
  bool greeted_ = false;
  std::atomic<bool> ended_{false};
  std::thread thread_;
};

}  // namespace tallywire::path
