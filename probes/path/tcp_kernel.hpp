// The kernel's own counters of a TCP connection (TCP_INFO, RFC 4898's names where it has them). Apart from the sockets:
// <linux/tcp.h> has what glibc's header lacks, and the two cannot be included together. Any thread.
#pragma once

#include <optional>
#include <string>

namespace tallywire::path {

// Since the connection began. What an older kernel does not tell is not there.
struct TcpCounters {
  double round_trip_ms = 0;         // smoothed
  double segment_bytes = 0;         // payload of a full segment
  double path_mtu_bytes = 0;        // as the kernel believes it
  double retransmitted_packets = 0;
  std::optional<double> round_trip_min_ms;
  std::optional<double> sent_bytes;        // payload, with what was sent again
  std::optional<double> sent_again_bytes;
  std::optional<double> busy_s, window_full_s, send_buffer_full_s;  // the two are parts of busy
  std::optional<double> delivery_bps;      // payload; the last estimate
  bool delivery_held_by_sender = false;    // that estimate is the sender's rate, not the path's
  std::optional<double> offered_window_bytes;
  std::optional<double> out_of_order_packets;  // received
};

std::optional<TcpCounters> read_tcp_counters(int socket);
// "bbr", "cubic"; empty when the kernel does not tell.
std::string congestion_control_of(int socket);
// The kernel spaces out what this socket sends. False: it cannot.
bool pace_socket(int socket, double payload_bps);

}  // namespace tallywire::path
