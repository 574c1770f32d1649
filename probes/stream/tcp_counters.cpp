#include "probes/stream/tcp_counters.hpp"

#include <linux/tcp.h>
#include <netinet/in.h>
#include <sys/socket.h>

#include <cstddef>

namespace tallywire::stream {

std::optional<TcpCounters> read_tcp_counters(int socket) {
  tcp_info info{};
  socklen_t size = sizeof info;
  if (getsockopt(socket, IPPROTO_TCP, TCP_INFO, &info, &size) != 0) return std::nullopt;
  constexpr auto needed = offsetof(tcp_info, tcpi_data_segs_in) + sizeof info.tcpi_data_segs_in;
  if (size < needed || info.tcpi_data_segs_in == 0) return std::nullopt;
  return TcpCounters{info.tcpi_bytes_received, info.tcpi_data_segs_in};
}

}  // namespace tallywire::stream
