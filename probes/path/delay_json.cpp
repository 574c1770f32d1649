#include "probes/path/delay.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <numeric>

namespace tallywire::path {

namespace {

using nlohmann::json;

constexpr std::size_t noticeable_distance = 10;  // packets: at 50 a second, what a person sees as one disturbance (ours)
constexpr double clocks_read_together_ms = 0.004;  // two clocks are read within 2 µs of each other (stamp_socket), at each end
constexpr std::size_t most_told_n = 3;           // RFC 4737 §5: 3 is what TCP takes for a loss

json number_or_null(const std::optional<double>& value) { return value ? json(*value) : json(); }

std::string reason_of(const std::map<std::string, std::string>& unread, const std::string& field) {
  const auto at = unread.find(field);
  return at == unread.end() ? "was not measured" : at->second;
}

// `name` without its unit: round_trip -> round_trip_min_ms, …
void put_spread(json& out, const std::string& name, const Spread& spread, const std::map<std::string, std::string>& why) {
  const struct {
    const char* word;
    const std::optional<double>& value;
    std::size_t least;
  } figures[] = {{"min", spread.min, 1},     {"median", spread.median, 1}, {"p95", spread.p95, 20},
                 {"p99", spread.p99, 100}, {"p999", spread.p999, 1000}, {"max", spread.max, 1}};
  for (const auto& f : figures) {
    const auto key = name + "_" + f.word + "_ms";
    out[key] = number_or_null(f.value);
    if (f.value || spread.count == 0) continue;
    out["unread"][key] = "of fewer than " + std::to_string(f.least) + " packets it would be the largest";
  }
  if (spread.count == 0) out["unread"][name + "_ms"] = reason_of(why, name + "_ms");
}

json counts_of(std::vector<std::size_t> values) {
  if (values.empty()) return {{"count", 0}, {"min_packets", nullptr}, {"median_packets", nullptr}, {"max_packets", nullptr}};
  std::sort(values.begin(), values.end());
  return {{"count", values.size()}, {"min_packets", values.front()}, {"median_packets", values[(values.size() - 1) / 2]}, {"max_packets", values.back()}};
}

void put_order(json& out, const DelayWay& way) {
  if (!way.order) {
    for (const auto* key : {"reordered_packets", "reordered_ratio", "reordering"}) out[key] = nullptr;
    for (const auto* key : {"reordered_packets", "reordered_ratio", "reordering"}) out["unread"][key] = reason_of(way.unread, "reordered_packets");
    return;
  }
  const auto& order = *way.order;
  out["reordered_packets"] = order.reordered.size();
  out["reordered_ratio"] = order.packets > 0 ? json(static_cast<double>(order.reordered.size()) / static_cast<double>(order.packets)) : json();
  std::vector<std::size_t> extents;
  double late_ms = 0;
  json by_n = json::object();
  for (std::size_t n = 1; n <= most_told_n; ++n) by_n[std::to_string(n)] = 0;
  for (const auto& r : order.reordered) {
    extents.push_back(r.extent);
    late_ms = std::max(late_ms, static_cast<double>(r.late_ns) / 1e6);
    for (std::size_t n = 1; n <= std::min(r.n, most_told_n); ++n)
      by_n[std::to_string(n)] = by_n[std::to_string(n)].get<int>() + 1;
  }
  out["reordering"] = {{"extent", counts_of(extents)}, {"late_max_ms", order.reordered.empty() ? json() : json(late_ms)}, {"n_reordered_packets", by_n},
                       {"gap", counts_of(order.gaps)}, {"free_run", counts_of(order.runs)}};
}

json way_of(const DelayWay& way) {
  json out = {{"unread", json::object()}};
  for (const auto& [key, value] : {std::pair{"lost_packets", way.lost_packets}, std::pair{"loss_ratio", way.loss_ratio},
                                   std::pair{"duplicate_packets", way.duplicate_packets}, std::pair{"hops", way.hops}}) {
    out[key] = number_or_null(value);
    if (!value) out["unread"][key] = reason_of(way.unread, key);
  }
  put_spread(out, "one_way", way.one_way, way.unread);
  put_spread(out, "variation", way.variation, way.unread);
  out["consecutive_min_ms"] = number_or_null(way.consecutive.min);
  out["consecutive_max_ms"] = number_or_null(way.consecutive.max);
  put_spread(out, "consecutive_size", way.consecutive_size, {});
  if (way.consecutive.count == 0) {
    out["unread"].erase("consecutive_size_ms");
    const auto told = way.unread.find("consecutive_ms");
    out["unread"]["consecutive_ms"] = told != way.unread.end() ? told->second : "no two packets came that were sent one after the other";
  }
  put_order(out, way);
  return out;
}

json loss_of(const LossPattern& loss) {
  std::vector<std::size_t> lengths, apart;
  for (const auto& p : loss.periods) {
    lengths.push_back(p.packets);
    if (p.distance > 0) apart.push_back(p.distance);
  }
  std::vector<std::size_t> distances;
  for (const auto d : loss.distances)
    if (d > 0) distances.push_back(d);
  return {{"period", counts_of(lengths)}, {"between_periods", counts_of(apart)}, {"distance", counts_of(distances)},
          {"noticeable_ratio", loss.lost > 0 ? json(loss.noticeable_ratio(noticeable_distance)) : json()}, {"noticeable_distance_packets", noticeable_distance}};
}

}  // namespace

void to_json(json& out, const DelayReport& r) {
  out = {{"sent_packets", r.sent_packets},
         {"answered_packets", r.answered_packets},
         {"lost_packets", r.sent_packets - r.answered_packets},
         {"loss_ratio", nullptr},
         {"duplicate_packets", r.duplicate_packets},
         {"undecided_lost_packets", r.undecided_lost_packets},
         {"authenticated", r.authenticated},
         {"packet_bytes", r.packet_octets},
         {"packets_per_s", r.packets_per_s},
         {"duration_s", r.duration_s},
         {"reflector_counts", r.stateful ? json(*r.stateful) : json()},
         {"clock_skew_ppm", number_or_null(r.clock_skew_ppm)},
         {"clock_skew_half_width_ppm", number_or_null(r.clock_skew_half_width_ppm)},
         {"one_way_uncertainty_ms", number_or_null(r.one_way_uncertainty_ms)},
         {"ignored",
          {{"wrong_hmac_packets", r.ignored.wrong_hmac_packets},
           {"wrong_length_packets", r.ignored.wrong_length_packets},
           {"no_error_estimate_packets", r.ignored.no_error_estimate_packets},
           {"stray_packets", r.ignored.stray_packets}}},
         {"far_ignored_packets", number_or_null(r.far_ignored_packets)},
         {"loss", loss_of(r.loss)},
         {"to", way_of(r.to)},
         {"from", way_of(r.from)},
         {"notes", r.notes},
         {"method", r.method},
         {"unread", r.unread}};
  if (r.sent_packets > 0) out["loss_ratio"] = static_cast<double>(r.sent_packets - r.answered_packets) / static_cast<double>(r.sent_packets);
  put_spread(out, "round_trip", r.round_trip, r.unread);
  if (r.stateful) out["unread"].erase("stateful");
  if (const auto at = out["unread"].find("stateful"); at != out["unread"].end()) {
    out["unread"]["reflector_counts"] = *at;
    out["unread"].erase("stateful");
  }
  out["reflector_time_median_ms"] = number_or_null(r.reflector_time.median);
  out["reflector_time_max_ms"] = number_or_null(r.reflector_time.max);
  out["send_lag_median_ms"] = number_or_null(r.send_lag.median);
  out["send_lag_max_ms"] = number_or_null(r.send_lag.max);
  out["reflector_lag_median_ms"] = number_or_null(r.reflector_lag.median);
  out["reflector_lag_max_ms"] = number_or_null(r.reflector_lag.max);
}

std::vector<Reading> to_readings(const DelayReport& r, const std::string& subject) {
  std::vector<Reading> out;
  const auto over = std::chrono::nanoseconds(static_cast<std::int64_t>(r.duration_s * 1e9));
  // Where the reflector does not tell how long its answers wait in its machine, they wait about as long as ours do here.
  const double unknown_lag_ms = r.send_lag.median.value_or(r.reflector_time.median.value_or(0));
  const bool both_tell = r.send_lag.count > 0 && r.reflector_lag.count > 0;
  const double stamps_ms = both_tell ? clocks_read_together_ms : unknown_lag_ms;
  const auto add = [&](const std::string& quantity, const std::optional<double>& value, const std::string& why, double uncertainty) {
    out.push_back(value ? read_number(subject, quantity, *value, r.method, r.when, over, uncertainty) : unread(subject, quantity, why, r.when));
  };
  const auto no_delay = reason_of(r.unread, "round_trip_ms");
  add("round_trip_min_ms", r.round_trip.min, no_delay, stamps_ms);
  add("round_trip_median_ms", r.round_trip.median, no_delay, stamps_ms);
  add("round_trip_p99_ms", r.round_trip.p99, r.round_trip.count == 0 ? no_delay : "fewer than 100 packets came back", stamps_ms);
  std::optional<double> loss;
  if (r.sent_packets > 0) loss = static_cast<double>(r.sent_packets - r.answered_packets) / static_cast<double>(r.sent_packets);
  add("packet_loss_ratio", loss, "no packet was sent", 0);
  const double skew_ms = r.clock_skew_half_width_ppm.value_or(0) * 1e-6 * r.duration_s * 1000;
  for (const auto& [word, way] : {std::pair{"to_", &r.to}, std::pair{"from_", &r.from}}) {
    const std::string name = word;
    add(name + "loss_ratio", way->loss_ratio, reason_of(way->unread, "loss_ratio"), 0);
    add(name + "variation_p99_ms", way->variation.p99,
        way->variation.count == 0 ? reason_of(way->unread, "variation_ms") : "fewer than 100 packets came back", stamps_ms + skew_ms);
    std::optional<double> reordered;
    if (way->order && way->order->packets > 0) reordered = static_cast<double>(way->order->reordered.size()) / static_cast<double>(way->order->packets);
    add(name + "reordered_ratio", reordered, reason_of(way->unread, "reordered_packets"), 0);
    add(name + "one_way_median_ms", way->one_way.median, reason_of(way->unread, "one_way_ms"), r.one_way_uncertainty_ms.value_or(0) + stamps_ms);
  }
  return out;
}

}  // namespace tallywire::path
