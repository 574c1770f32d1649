#include "probes/path/tcp_method.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>

namespace tallywire::path {
namespace {

double over(double a, double b) { return b > 0 ? a / b : 0; }

template <class... Values>
std::string text(const char* format, Values... values) {
  char out[400];
  std::snprintf(out, sizeof out, format, values...);
  return out;
}

// From here on the goodput is the ceiling's: the rest is start-up and headers.
constexpr double at_the_ceiling = 0.95;
constexpr double full_path = 0.95;
constexpr double most_of_the_time = 0.5;
// A sender whose socket hardly ever was full is itself what limits.
constexpr double hardly_ever = 0.2;
// A thread that is busy for so much of the time, while nothing is lost: the kernel's own work for the connection comes on top.
constexpr double busy_machine = 0.5;
constexpr double hardly_lost = 1e-4;

Limit limited_by_sender(const SendingShares& s, double waited) {
  Limit out;
  out.by = "sender";
  if (s.ceiling_bps > 0 && s.goodput_bps >= at_the_ceiling * s.ceiling_bps) {
    out.reason = text("it sent at its ceiling of %.6g Mbit/s, held back %.0f %% of the time", s.ceiling_bps / 1e6, 100 * over(s.held_s, s.duration_s));
    out.try_next = "a higher ceiling, if the path may be filled further";
    return out;
  }
  if (s.sender_cpu_s >= busy_machine * s.duration_s)
    out.reason = text("the machine that sends was busy with it %.0f %% of the time", 100 * over(s.sender_cpu_s, s.duration_s));
  else
    out.reason = text("its socket was full only %.0f %% of the time: the machine that sends does no more", 100 * waited);
  out.try_next = "a faster machine, or nothing else running on it";
  return out;
}

Limit limited_by_window(const SendingShares& s, double receiver, double buffer) {
  Limit out;
  out.by = "window";
  const bool of_receiver = receiver >= buffer;
  out.reason = of_receiver ? text("the receiver's window was full %.0f %% of the time", 100 * receiver)
                           : text("the send buffer was full %.0f %% of the time", 100 * buffer);
  if (of_receiver && s.window_bytes > 0) out.reason += text(", it offered at most %.4g kB", s.window_bytes / 1e3);
  if (s.window_needed_bytes > 0) out.reason += text(", the path needs %.4g kB", s.window_needed_bytes / 1e3);
  out.try_next = of_receiver ? "more room at the receiver (net.ipv4.tcp_rmem), a reader that keeps up, or several connections"
                             : "more room at the sender (net.ipv4.tcp_wmem), or several connections";
  return out;
}

Limit limited_by_receiver(const SendingShares& s) {
  return {"window", text("the machine that receives was busy with it %.0f %% of the time", 100 * over(s.receiver_cpu_s, s.duration_s)),
          "a faster machine there, or nothing else running on it"};
}

// Whatever the kernel waited for: more does not fit.
Limit limited_by_full_path(const SendingShares& s) {
  Limit out;
  out.by = "path";
  out.reason = text("it filled the path: %.4g of the %.4g Mbit/s of payload that fit, %.3g %% was sent again", s.goodput_bps / 1e6, s.ideal_bps / 1e6,
                    100 * over(s.sent_again_bytes, s.sent_bytes));
  out.try_next = "nothing, where this is the rate of the slowest link; else look for that link, and for other traffic on it";
  return out;
}

}  // namespace

double bandwidth_delay_product_bits(double bottleneck_bps, double round_trip_s) { return bottleneck_bps * round_trip_s; }

double window_to_fill_bytes(double bottleneck_bps, double round_trip_s) {
  return bandwidth_delay_product_bits(bottleneck_bps, round_trip_s) / 8;
}

double window_limited_bps(double window_bytes, double round_trip_s) { return over(window_bytes * 8, round_trip_s); }

int connections_to_fill(double bottleneck_bps, double round_trip_s, double window_bytes) {
  const double count = std::ceil(over(window_to_fill_bytes(bottleneck_bps, round_trip_s), window_bytes));
  return static_cast<int>(std::clamp(count, 1.0, 1e6));
}

double ideal_goodput_bps(double link_bps, double wire_octets, double segment_bytes) {
  return over(link_bps, wire_octets * 8) * segment_bytes * 8;
}

double transfer_time_ratio(double actual_s, double ideal_s) { return over(actual_s, ideal_s); }

double tcp_efficiency_ratio(double sent_bytes, double sent_again_bytes) { return over(sent_bytes - sent_again_bytes, sent_bytes); }

double buffer_delay_ratio(double mean_round_trip_s, double base) { return std::max(0.0, over(mean_round_trip_s - base, base)); }

double base_round_trip_s(const std::vector<double>& samples_s) {
  return samples_s.empty() ? 0 : *std::min_element(samples_s.begin(), samples_s.end());
}

Limit find_limit(const SendingShares& s) {
  const double waited = over(s.waited_s, s.duration_s);
  const double receiver = over(s.window_full_s, s.duration_s), buffer = over(s.send_buffer_full_s, s.duration_s);
  if (s.ceiling_bps > 0 && s.goodput_bps >= at_the_ceiling * s.ceiling_bps) return limited_by_sender(s, waited);
  if (s.ideal_bps > 0 && s.goodput_bps >= full_path * s.ideal_bps) return limited_by_full_path(s);
  // Of the time that there was something to send.
  const bool held_up = receiver + buffer >= most_of_the_time * over(s.busy_s, s.duration_s) && s.busy_s >= hardly_ever * s.duration_s;
  if (held_up) return limited_by_window(s, receiver, buffer);
  const double again = over(s.sent_again_bytes, s.sent_bytes);
  const double machine = over(std::max(s.sender_cpu_s, s.receiver_cpu_s), s.duration_s);
  if (waited < hardly_ever) return limited_by_sender(s, waited);
  if (machine >= busy_machine && again < hardly_lost)
    return s.receiver_cpu_s > s.sender_cpu_s ? limited_by_receiver(s) : limited_by_sender(s, waited);
  Limit out;
  out.by = "path";
  out.reason = text("the window was open %.0f %% of the time and the sender had more to send; %.3g %% was sent again",
                    100 * (1 - receiver - buffer), 100 * again);
  if (s.mean_round_trip_s > 0 && s.base_round_trip_s > 0)
    out.reason += text(", the round trip grew from %.3g to %.3g ms", s.base_round_trip_s * 1e3, s.mean_round_trip_s * 1e3);
  const bool queue = s.mean_round_trip_s > 2 * s.base_round_trip_s;
  out.try_next = queue || again == 0 ? "the slowest link on the way is full: look for it, and for other traffic on it"
                                     : "packets are lost without a queue: look at cables, duplex and error counters on the way";
  return out;
}

}  // namespace tallywire::path
