#include "probes/path/throughput.hpp"

#include "probes/path/tcp_method.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>

namespace tallywire::path {
namespace {

using nlohmann::json;
using Number = std::optional<double> ThroughputReport::*;

struct Field {
  const char* key;
  Number field;
};

// What the sender tells; a far end's answer has them under the same names.
const Field sender_fields[] = {
    {"round_trip_ms", &ThroughputReport::round_trip_ms},
    {"round_trip_min_ms", &ThroughputReport::round_trip_min_ms},
    {"retransmitted_packets", &ThroughputReport::retransmitted_packets},
    {"segment_bytes", &ThroughputReport::segment_bytes},
    {"sent_bytes", &ThroughputReport::sent_bytes},
    {"sent_again_bytes", &ThroughputReport::sent_again_bytes},
    {"delivery_bps", &ThroughputReport::delivery_bps},
    {"window_offered_bytes", &ThroughputReport::window_offered_bytes},
    {"busy_ratio", &ThroughputReport::busy_ratio},
    {"window_full_ratio", &ThroughputReport::window_full_ratio},
    {"send_buffer_full_ratio", &ThroughputReport::send_buffer_full_ratio},
    {"sender_waited_ratio", &ThroughputReport::sender_waited_ratio},
    {"sender_held_ratio", &ThroughputReport::sender_held_ratio},
    {"sender_cpu_ratio", &ThroughputReport::sender_cpu_ratio},
    {"path_mtu_bytes", &ThroughputReport::path_mtu_bytes},
};
const Field other_fields[] = {
    {"goodput_bps", &ThroughputReport::goodput_bps},
    {"duration_s", &ThroughputReport::duration_s},
    {"received_bytes", &ThroughputReport::received_bytes},
    {"receiver_cpu_ratio", &ThroughputReport::receiver_cpu_ratio},
    {"base_round_trip_ms", &ThroughputReport::base_round_trip_ms},
    {"bottleneck_bps", &ThroughputReport::bottleneck_bps},
    {"bandwidth_delay_product_bytes", &ThroughputReport::bandwidth_delay_product_bytes},
    {"window_needed_bytes", &ThroughputReport::window_needed_bytes},
    {"connections_needed", &ThroughputReport::connections_needed},
    {"ideal_goodput_bps", &ThroughputReport::ideal_goodput_bps},
    {"achieved_ratio", &ThroughputReport::achieved_ratio},
    {"transfer_time_ratio", &ThroughputReport::transfer_time_ratio},
    {"tcp_efficiency_ratio", &ThroughputReport::tcp_efficiency_ratio},
    {"buffer_delay_ratio", &ThroughputReport::buffer_delay_ratio},
};

std::optional<double> share(const std::optional<double>& begin, const std::optional<double>& end, double seconds) {
  if (!begin || !end || seconds <= 0) return std::nullopt;
  return std::clamp((*end - *begin) / seconds, 0.0, 1.0);
}

std::optional<double> if_positive(double value) { return value > 0 ? std::optional<double>(value) : std::nullopt; }

void judge(ThroughputReport& r) {
  if (!r.goodput_bps || !r.busy_ratio || !r.window_full_ratio || !r.send_buffer_full_ratio || !r.sender_waited_ratio) {
    r.unread["limited_by"] = "the sender's counters were not read";
    return;
  }
  SendingShares s;
  s.duration_s = 1;
  s.busy_s = *r.busy_ratio;
  s.window_full_s = *r.window_full_ratio;
  s.send_buffer_full_s = *r.send_buffer_full_ratio;
  s.waited_s = *r.sender_waited_ratio;
  s.held_s = r.sender_held_ratio.value_or(0);
  s.sender_cpu_s = r.sender_cpu_ratio.value_or(0);
  s.receiver_cpu_s = r.receiver_cpu_ratio.value_or(0);
  s.goodput_bps = *r.goodput_bps;
  s.ceiling_bps = r.ceiling_bps;
  s.sent_bytes = r.sent_bytes.value_or(0);
  s.sent_again_bytes = r.sent_again_bytes.value_or(0);
  s.mean_round_trip_s = r.round_trip_ms.value_or(0) / 1e3;
  s.base_round_trip_s = r.base_round_trip_ms.value_or(0) / 1e3;
  s.window_bytes = r.window_offered_bytes.value_or(0);
  if (r.bottleneck_bps && r.path_mtu_bytes && r.segment_bytes)
    s.ideal_bps = ideal_goodput_bps(*r.bottleneck_bps, *r.path_mtu_bytes + frame_octets_beyond_ip, *r.segment_bytes);
  if (r.bottleneck_bps && r.base_round_trip_ms)
    s.window_needed_bytes = window_to_fill_bytes(*r.bottleneck_bps, *r.base_round_trip_ms / 1e3);
  auto limit = find_limit(s);
  r.limited_by = std::move(limit.by);
  r.limited_by_reason = std::move(limit.reason);
  r.try_next = std::move(limit.try_next);
}

}  // namespace

void take_sender(ThroughputReport& out, const BulkSent& sent, const std::optional<TcpCounters>& now) {
  const auto& last = now ? *now : sent.end;
  out.round_trip_ms = if_positive(sent.mean_round_trip_ms);
  out.round_trip_min_ms = last.round_trip_min_ms;
  out.retransmitted_packets = last.retransmitted_packets;
  out.segment_bytes = last.segment_bytes;
  out.path_mtu_bytes = last.path_mtu_bytes;
  out.sent_bytes = last.sent_bytes;
  out.sent_again_bytes = last.sent_again_bytes;
  out.delivery_bps = if_positive(sent.delivery_bps);
  out.window_offered_bytes = if_positive(sent.offered_window_bytes);
  out.busy_ratio = share(sent.begin.busy_s, sent.end.busy_s, sent.seconds);
  out.window_full_ratio = share(sent.begin.window_full_s, sent.end.window_full_s, sent.seconds);
  out.send_buffer_full_ratio = share(sent.begin.send_buffer_full_s, sent.end.send_buffer_full_s, sent.seconds);
  out.sender_waited_ratio = share(0.0, sent.waited_s, sent.seconds);
  out.sender_held_ratio = share(0.0, sent.held_s, sent.seconds);
  out.sender_cpu_ratio = share(0.0, sent.cpu_s, sent.seconds);
  for (const auto& [key, field] : sender_fields)
    if (!(out.*field)) out.unread[key] = sent.seconds > 0 ? "the kernel does not tell" : "it ran too short to be counted";
}

void take_sender(ThroughputReport& out, const json& answer) {
  for (const auto& [key, field] : sender_fields) {
    const auto at = answer.find(key);
    if (at != answer.end() && at->is_number() && std::isfinite(at->get<double>()))
      out.*field = at->get<double>();
    else
      out.unread[key] = "the far end does not tell";
  }
  const auto name = answer.find("congestion_control");
  if (name != answer.end() && name->is_string()) out.congestion_control = name->get<std::string>().substr(0, 32);
}

void apply_method(ThroughputReport& r, std::optional<double> path_mtu_bytes, std::optional<double> wire_bps) {
  if (path_mtu_bytes) r.path_mtu_bytes = path_mtu_bytes;
  const bool sized = r.path_mtu_bytes && r.segment_bytes && *r.segment_bytes > 0;
  const double wire_octets = sized ? *r.path_mtu_bytes + frame_octets_beyond_ip : 0;
  if (wire_bps) {
    r.bottleneck_bps = wire_bps;
    r.bottleneck_by = "udp";
  }
  // What came by TCP, the path carries.
  const double carried_bps = sized && r.goodput_bps ? *r.goodput_bps * wire_octets / *r.segment_bytes : 0;
  if (wire_bps && carried_bps > *wire_bps) {
    r.bottleneck_bps = carried_bps;
    r.bottleneck_by = "tcp";
  }
  judge(r);
  // What TCP delivered is the bottleneck's rate only where the path is what limits.
  if (!wire_bps && r.limited_by == "path" && sized && r.delivery_bps) {
    r.bottleneck_bps = *r.delivery_bps * wire_octets / *r.segment_bytes;
    r.bottleneck_by = "tcp";
  }
  if (!r.bottleneck_bps)
    r.unread["bottleneck_bps"] =
        r.limited_by == "path" ? "neither UDP nor TCP found it" : "something before the path limits: what the path carries was not found";
  const auto need = [&r](const char* key, bool have) {
    if (!have) r.unread[key] = "what it is computed from was not read";
    return have;
  };
  if (need("bandwidth_delay_product_bytes", r.bottleneck_bps && r.base_round_trip_ms)) {
    const double round_trip_s = *r.base_round_trip_ms / 1e3;
    r.window_needed_bytes = window_to_fill_bytes(*r.bottleneck_bps, round_trip_s);
    r.bandwidth_delay_product_bytes = r.window_needed_bytes;
    if (r.window_offered_bytes) r.connections_needed = connections_to_fill(*r.bottleneck_bps, round_trip_s, *r.window_offered_bytes);
  }
  need("window_needed_bytes", r.window_needed_bytes.has_value());
  need("connections_needed", r.connections_needed.has_value());
  if (need("ideal_goodput_bps", r.bottleneck_bps && sized))
    r.ideal_goodput_bps = ideal_goodput_bps(*r.bottleneck_bps, wire_octets, *r.segment_bytes);
  const bool compared = r.ideal_goodput_bps && *r.ideal_goodput_bps > 0 && r.goodput_bps && *r.goodput_bps > 0;
  if (need("achieved_ratio", compared)) r.achieved_ratio = *r.goodput_bps / *r.ideal_goodput_bps;
  if (need("transfer_time_ratio", compared && r.duration_s && r.received_bytes))
    r.transfer_time_ratio = transfer_time_ratio(*r.duration_s, *r.received_bytes * 8 / *r.ideal_goodput_bps);
  if (need("tcp_efficiency_ratio", r.sent_bytes && r.sent_again_bytes && *r.sent_bytes > 0))
    r.tcp_efficiency_ratio = tcp_efficiency_ratio(*r.sent_bytes, *r.sent_again_bytes);
  if (need("buffer_delay_ratio", r.round_trip_ms && r.base_round_trip_ms && *r.base_round_trip_ms > 0))
    r.buffer_delay_ratio = buffer_delay_ratio(*r.round_trip_ms / 1e3, *r.base_round_trip_ms / 1e3);
}

void to_json(json& out, const ThroughputReport& r) {
  out = {{"direction", r.direction == Direction::to_far_end ? "to" : "from"}, {"method", r.method}, {"unread", r.unread}};
  const auto put = [&](const Field& f) { out[f.key] = r.*f.field ? json(*(r.*f.field)) : json(); };
  for (const auto& field : sender_fields) put(field);
  for (const auto& field : other_fields) put(field);
  const std::pair<const char*, const std::string*> words[] = {{"congestion_control", &r.congestion_control}, {"bottleneck_by", &r.bottleneck_by},
                                                              {"limited_by", &r.limited_by}, {"limited_by_reason", &r.limited_by_reason},
                                                              {"try_next", &r.try_next}};
  for (const auto& [key, word] : words) out[key] = word->empty() ? json() : json(*word);
}

std::vector<Reading> to_readings(const ThroughputReport& r, const std::string& subject) {
  std::vector<Reading> out;
  const auto over = std::chrono::nanoseconds(static_cast<std::int64_t>(r.duration_s.value_or(0) * 1e9));
  const auto add = [&](const char* quantity, const char* field, const std::optional<double>& value) {
    const auto why = r.unread.find(field);
    out.push_back(value ? read_number(subject, quantity, *value, r.method, r.when, over)
                        : unread(subject, quantity, why == r.unread.end() ? "was not measured" : why->second, r.when));
  };
  add("tcp_goodput_bps", "goodput_bps", r.goodput_bps);
  add("round_trip_ms", "round_trip_ms", r.round_trip_ms);
  return out;
}

}  // namespace tallywire::path
