#include "probes/path/tcp_kernel.hpp"

#include <linux/tcp.h>
#include <netinet/in.h>
#include <sys/socket.h>

#include <cstddef>
#include <cstdint>

namespace tallywire::path {

std::optional<TcpCounters> read_tcp_counters(int socket) {
  tcp_info info{};
  socklen_t length = sizeof info;
  if (::getsockopt(socket, IPPROTO_TCP, TCP_INFO, &info, &length) != 0) return std::nullopt;
  const auto known = [&](const auto& field) {
    const auto end = reinterpret_cast<const char*>(&field) + sizeof field - reinterpret_cast<const char*>(&info);
    return static_cast<std::size_t>(end) <= length;
  };
  const auto number = [&](const auto& field, double unit) {
    return known(field) ? std::optional<double>(static_cast<double>(field) * unit) : std::nullopt;
  };
  TcpCounters out;
  out.round_trip_ms = info.tcpi_rtt / 1000.0;
  out.segment_bytes = info.tcpi_snd_mss;
  out.path_mtu_bytes = info.tcpi_pmtu;
  out.retransmitted_packets = info.tcpi_total_retrans;
  // All ones, before there is a sample.
  if (info.tcpi_min_rtt != UINT32_MAX) out.round_trip_min_ms = number(info.tcpi_min_rtt, 1e-3);
  out.sent_bytes = number(info.tcpi_bytes_sent, 1);
  out.sent_again_bytes = number(info.tcpi_bytes_retrans, 1);
  out.busy_s = number(info.tcpi_busy_time, 1e-6);
  out.window_full_s = number(info.tcpi_rwnd_limited, 1e-6);
  out.send_buffer_full_s = number(info.tcpi_sndbuf_limited, 1e-6);
  if (info.tcpi_delivery_rate > 0) out.delivery_bps = number(info.tcpi_delivery_rate, 8);
  out.delivery_held_by_sender = info.tcpi_delivery_rate_app_limited != 0;
  out.offered_window_bytes = number(info.tcpi_snd_wnd, 1);
  out.out_of_order_packets = number(info.tcpi_rcv_ooopack, 1);
  return out;
}

std::string congestion_control_of(int socket) {
  char name[32] = {};
  socklen_t length = sizeof name - 1;
  return ::getsockopt(socket, IPPROTO_TCP, TCP_CONGESTION, name, &length) == 0 ? name : "";
}

bool pace_socket(int socket, double payload_bps) {
  const auto octets_per_s = static_cast<std::uint64_t>(payload_bps / 8);
  return ::setsockopt(socket, SOL_SOCKET, SO_MAX_PACING_RATE, &octets_per_s, sizeof octets_per_s) == 0;
}

}  // namespace tallywire::path
