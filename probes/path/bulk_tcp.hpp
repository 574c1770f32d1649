// A bulk of octets over a connected TCP socket, as fast as it goes or as the ceiling allows, with the kernel's counters read on the
// way. Blocking: on a thread of its own, never on the network thread. The socket is the caller's and non-blocking.
//
// Every block is as long as told in its head of four octets, big-endian, 256 KiB at most; a block of length 0 ends the bulk.
// Both ends leave `skip` out of what they count: TCP's slow start. A stop ends either within 100 ms.
#pragma once

#include "probes/fault.hpp"
#include "probes/path/tcp_kernel.hpp"

#include <atomic>
#include <chrono>
#include <functional>
#include <string>

namespace tallywire::path {

struct BulkOrder {
  std::chrono::milliseconds duration{0};
  std::chrono::milliseconds skip{0};
  double ceiling_bps = 0;    // of payload; 0: none
  std::chrono::milliseconds patience{6000};  // with a peer that does nothing: TCP itself may be silent for some seconds after losses
  std::chrono::milliseconds grace{15'000};   // beyond the duration, for the end mark to come
  std::string where;         // for a Fault
};

using BulkTick = std::function<void(double done_s)>;  // on the bulk's thread, every 100 ms or so

struct BulkSent {
  double seconds = 0;               // counted, after `skip`
  double waited_s = 0, held_s = 0;  // of that: waiting for room in the socket; waiting because of the ceiling
  double cpu_s = 0;                 // of that: the thread was on a CPU, or waited for one
  TcpCounters begin, end;           // when counting began and ended
  double mean_round_trip_ms = 0;    // of samples of the smoothed one every 20 ms while counting; 0: none
  double delivery_bps = 0;          // what the path delivers of payload: nine tenths of the samples lie below; 0: none
  double offered_window_bytes = 0;  // the largest
  bool stopped = false;
};

struct BulkReceived {
  double octets = 0;    // counted, after `skip`
  double seconds = 0;
  double cpu_s = 0;     // of that: the thread was on a CPU, or waited for one
  bool ended = false;   // the end mark came; else it was stopped
};

// With the end mark sent. A peer that takes nothing for the patience ends it, as timed_out; after a stop, 1 s.
Outcome<BulkSent> send_bulk(int socket, const BulkOrder& order, const std::atomic<bool>& stop, const BulkTick& tick);
// Until the end mark; `order.duration` and its grace at most. A peer that sends nothing for the patience ends it, as timed_out.
Outcome<BulkReceived> receive_bulk(int socket, const BulkOrder& order, const std::atomic<bool>& stop, const BulkTick& tick);

}  // namespace tallywire::path
