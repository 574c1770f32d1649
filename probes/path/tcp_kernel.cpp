#include "probes/path/tcp_kernel.hpp"

#include <linux/tcp.h>
#include <netinet/in.h>
#include <sys/socket.h>

#include <cstddef>

namespace tallywire::path {

void read_tcp_info(int socket, ThroughputReport& out) {
  tcp_info info{};
  socklen_t length = sizeof info;
  if (::getsockopt(socket, IPPROTO_TCP, TCP_INFO, &info, &length) != 0) {
    for (const char* field : {"round_trip_ms", "round_trip_min_ms", "retransmitted_packets", "segment_bytes"})
      out.unread[field] = "the kernel does not tell";
    return;
  }
  out.round_trip_ms = info.tcpi_rtt / 1000.0;
  out.retransmitted_packets = info.tcpi_total_retrans;
  out.segment_bytes = info.tcpi_snd_mss;
  if (length >= offsetof(tcp_info, tcpi_min_rtt) + sizeof info.tcpi_min_rtt)
    out.round_trip_min_ms = info.tcpi_min_rtt / 1000.0;
  else
    out.unread["round_trip_min_ms"] = "the kernel does not tell";
}

}  // namespace tallywire::path
