// The asker's side of a UDP measurement with a far end: the path's MTU, and how much it carries.
#pragma once

#include "probes/path/agreement.hpp"
#include "probes/path/path_mtu.hpp"
#include "probes/path/throughput.hpp"
#include "probes/path/udp_capacity.hpp"
#include "probes/stop.hpp"

#include <functional>

namespace tallywire::path {

struct UdpRequest {
  Direction direction = Direction::to_far_end;
  bool capacity = true;                     // false: only the path's MTU
  double ceiling_bps = 0;                   // on the wire
  std::size_t packet_bytes = 0;             // of the IP packet; 0: the path's MTU
  std::chrono::milliseconds limit{8000};    // for the search
};

struct UdpReport {
  PathMtu mtu;
  std::optional<CapacityReport> capacity;
  std::string blocked;  // no UDP packet came through: why; what needs one is unread then
};

// `progress`: done and total seconds, on the network thread. A stop ends it early with what was found.
boost::asio::awaitable<Outcome<UdpReport>> measure_udp(FarEndAddress far_end, UdpRequest request,
                                                       std::function<void(double, double)> progress, Stop& stop);

// udp_capacity_bps
std::vector<Reading> to_readings(const CapacityReport& report, const std::string& subject, SystemTime when);

}  // namespace tallywire::path
