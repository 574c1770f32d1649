// The kernel's own counts of one TCP connection (TCP_INFO). Apart, because linux/tcp.h and netinet/tcp.h, which Asio
// includes, define the same structure.
#pragma once

#include <cstdint>
#include <optional>

namespace tallywire::stream {

struct TcpCounters {
  std::uint64_t octets_received = 0;
  std::uint64_t data_segments_received = 0;  // as they were sent, before the card or the kernel joined them
};

// None when the kernel does not tell (before Linux 4.6).
std::optional<TcpCounters> read_tcp_counters(int socket);

}  // namespace tallywire::stream
