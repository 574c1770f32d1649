// The arithmetic of RFC 6349, and what the kernel's counters say limits a connection. Pure functions; rates in bit/s, times in
// seconds, sizes in octets. A divisor of 0 or less gives 0: the caller asks only for what it has read.
#pragma once

#include <string>
#include <vector>

namespace tallywire::path {

// What an Ethernet frame costs the wire beyond its IP packet: header 14, FCS 4, preamble 8, gap 12 (IEEE 802.3).
inline constexpr double frame_octets_beyond_ip = 38;

// RFC 6349 §3.3.1, in bits. An eighth of it, in octets, is the window that fills the path.
double bandwidth_delay_product_bits(double bottleneck_bps, double round_trip_s);
double window_to_fill_bytes(double bottleneck_bps, double round_trip_s);
// The most that a window lets through, §3.3.1.
double window_limited_bps(double window_bytes, double round_trip_s);
// Connections of that window that fill the path, whole, at least 1: Table 5.1.
int connections_to_fill(double bottleneck_bps, double round_trip_s, double window_bytes);
// TCP payload that a link carries at most, §4.1.1: whole segments, each in a frame of its own. `wire_octets` is all that a full
// segment costs the link.
double ideal_goodput_bps(double link_bps, double wire_octets, double segment_bytes);
// §4.1.2: how many times longer than ideal.
double transfer_time_ratio(double actual_s, double ideal_s);
// §4.2.1, 0 to 1: octets sent, and those of them that were sent again.
double tcp_efficiency_ratio(double sent_bytes, double sent_again_bytes);
// §4.3.1: 0.28 is 28 %. Below 0 when the mean is under the base: clamped to 0.
double buffer_delay_ratio(double mean_round_trip_s, double base_round_trip_s);
// §3.2.1: the least of the samples; 0 when there are none.
double base_round_trip_s(const std::vector<double>& samples_s);

// Where one connection spent its time while it was counted, by the sending side's kernel and the sending thread itself.
struct SendingShares {
  double duration_s = 0;
  double busy_s = 0;               // something was under way or waiting to be sent
  double window_full_s = 0;        // of that: held up by the receiver's window
  double send_buffer_full_s = 0;   // of that: held up by the send buffer
  double waited_s = 0;             // the thread waited for room in the socket
  double held_s = 0;               // the thread waited because of the ceiling
  double sender_cpu_s = 0, receiver_cpu_s = 0;  // their threads were on a CPU or waited for one
  double goodput_bps = 0;
  double ceiling_bps = 0;          // 0: none
  double ideal_bps = 0;            // what the path carries of payload, found otherwise; 0: not known
  double sent_bytes = 0, sent_again_bytes = 0;
  double mean_round_trip_s = 0, base_round_trip_s = 0;  // 0: not read
  double window_bytes = 0;         // the largest that the receiver offered; 0: not read
  double window_needed_bytes = 0;  // 0: not known
};

struct Limit {
  std::string by;      // "sender", "window" or "path"
  std::string reason;  // with the shares and the evidence, one sentence without a full stop
  std::string try_next;
};

// What limits: the ceiling first, then a path that is full, then whichever held the connection up for the greater part of the time.
Limit find_limit(const SendingShares& shares);

}  // namespace tallywire::path
