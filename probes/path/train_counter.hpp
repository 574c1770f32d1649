// Counts one trial of a UDP measurement: what came of the packets that were sent. Without I/O and clock: arrival times are
// arguments, in ns of any clock that runs evenly; the sender's clock need not agree with it.
#pragma once

#include "probes/path/udp_packet.hpp"

#include <array>
#include <cstdint>
#include <optional>
#include <vector>

namespace tallywire::path {

struct TrainCount {
  std::uint16_t trial = 0;
  std::uint32_t packets = 0;     // sent, as each packet tells; 0: none came
  std::uint32_t received = 0;    // each once
  std::uint32_t duplicates = 0;
  std::uint32_t dropped_here = 0;  // by the receiver's own socket, for want of room: no loss of the path
  // How much longer the least delay of the last quarter of the packets is than that of the first: a queue that grows.
  std::optional<double> delay_growth_ms;
  // How fast the second half of the packets came; where more is sent than the path carries, what it carries.
  std::optional<double> arrival_packets_per_s;
};

class TrainCounter {
 public:
  // A packet of another trial than the last begins a new count.
  void add(const UdpPacket& packet, std::int64_t arrival_ns);
  const TrainCount& count();
  std::int64_t last_arrival_ns() const { return last_ns_; }

 private:
  TrainCount count_;
  std::vector<bool> seen_;
  std::array<std::optional<std::int64_t>, 4> least_delay_ns_;
  std::int64_t half_ns_ = 0, last_ns_ = 0;
  std::uint32_t after_half_ = 0;
};

}  // namespace tallywire::path
