// Measures delay, loss, delay variation and order between this machine and a reflector, by STAMP (RFC 8762). Network thread;
// the packets are sent and received by a thread of the session's own, which ends within 200 ms of a stop.
#pragma once

#include "probes/fault.hpp"
#include "probes/path/agreement.hpp"
#include "probes/path/delay.hpp"
#include "probes/stop.hpp"

#include <boost/asio/awaitable.hpp>

#include <chrono>
#include <cstdint>
#include <functional>

namespace tallywire::path {

struct DelayRequest {
  FarEndAddress far_end;
  std::chrono::milliseconds duration{5000};  // of sending: above 0, at most 10 minutes
  double packets_per_s = 50;                 // above 0, at most 1000
  int packet_octets = 0;                     // UDP payload; 0: the least (44, authenticated 112); at most 1452
  bool authenticated = true;                 // each packet carries a HMAC of the session's own key
};

// Told each 100 ms while packets are under way.
struct DelayTick {
  std::uint64_t sent = 0, answered = 0;
  std::uint64_t lost = 0;            // so far: sent more than 1 s ago, and no answer yet
  double round_trip_min_ms = 0;      // of the session so far; NaN while nothing has come back
  double round_trip_recent_ms = 0;   // the median of the last 100 ms; NaN when nothing came back in them
};

using OnDelayTick = std::function<void(const DelayTick&)>;

// Agrees with the far end first. A stop ends it early and keeps what was read. A Fault when there was no agreement or no
// socket; packets that do not come back are loss in the report, not a fault.
boost::asio::awaitable<Outcome<DelayReport>> measure_delay(DelayRequest request, OnDelayTick on_tick, Stop& stop);

// A reflector of the standard that is no Tallywire: no agreement comes first, so it is asked slowly (at most 10 packets a
// second) until it answers, and no more after 5 packets without an answer; the report's figures are then unread.
struct PlainReflector {
  std::string address;             // numeric
  std::uint16_t udp_port = 862;    // RFC 8762 §4.1
  std::string key;                 // not empty: authenticated by it
};
struct PlainDelayRequest {
  PlainReflector reflector;
  std::chrono::milliseconds duration{5000};
  double packets_per_s = 50;
  int packet_octets = 0;
};
boost::asio::awaitable<Outcome<DelayReport>> measure_plain_delay(PlainDelayRequest request, OnDelayTick on_tick, Stop& stop);

}  // namespace tallywire::path
