#include "probes/path/delay.hpp"

#include "probes/path/delay_skew.hpp"
#include "probes/path/delay_ways.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>

namespace tallywire::path {

namespace {

constexpr double ns_of_ms = 1e6;
constexpr std::int64_t clock_was_set_ns = 100'000;  // slewing moves both clocks of a machine alike
constexpr double slew_ppm = 500;                      // the most by which the kernel slews
constexpr double stamp_noise_ns = 20'000;
constexpr int ttl_sent = 255;

std::string text(const char* format, double a, double b = 0) {
  char out[200];
  std::snprintf(out, sizeof out, format, a, b);
  return out;
}

// What the far end tells of the answer's leaving, in ns.
std::optional<std::int64_t> lag_of(const DelayInput& in, const wire::StampArrival& a) {
  if (!in.reflector || a.reflector_sequence_number >= in.reflector->lags_100ns.size()) return std::nullopt;
  const auto lag = in.reflector->lags_100ns[a.reflector_sequence_number];
  if (lag < 0) return std::nullopt;
  return std::int64_t{lag} * 100;
}

// The first answer to each request, in the order of sending, with the time at which it left.
std::vector<wire::StampArrival> first_answers(const DelayInput& in) {
  std::vector<wire::StampArrival> out;
  for (const auto& a : in.arrivals) {
    if (!a.first || a.sequence_number >= in.sent.size()) continue;
    out.push_back(a);
    out.back().reflector_sent_unix_ns += lag_of(in, a).value_or(0);
  }
  std::sort(out.begin(), out.end(), [](const auto& a, const auto& b) { return a.sequence_number < b.sequence_number; });
  return out;
}

std::vector<Crossing> crossings_of(const DelayInput& in, const std::vector<wire::StampArrival>& answers) {
  std::vector<Crossing> out;
  out.reserve(answers.size());
  for (const auto& a : answers)
    out.push_back({in.sent[a.sequence_number].sent_ns, a.reflector_received_unix_ns, a.reflector_sent_unix_ns, a.received_ns});
  return out;
}

struct Delays {
  std::vector<double> to_ms, from_ms;  // by our clock and theirs, the skew taken out
};

Delays delays_of(const std::vector<Crossing>& crossings, double skew_ppm) {
  Delays out;
  for (const auto& c : crossings) {
    const double drift = skew_ppm * 1e-6 * static_cast<double>(c.sent_ns - crossings.front().sent_ns);
    out.to_ms.push_back((static_cast<double>(c.out_ns()) - drift) / ns_of_ms);
    out.from_ms.push_back((static_cast<double>(c.back_ns()) + drift) / ns_of_ms);
  }
  return out;
}

void put_variation(DelayWay& way, const std::vector<double>& delays_ms, const std::vector<wire::StampArrival>& answers) {
  if (delays_ms.empty()) return;
  const double least = *std::min_element(delays_ms.begin(), delays_ms.end());
  std::vector<double> above, steps, sizes;
  for (std::size_t i = 0; i < delays_ms.size(); ++i) {
    above.push_back(delays_ms[i] - least);
    // RFC 3393 §2: of packets that follow each other; a lost one leaves a hole.
    if (i == 0 || answers[i].sequence_number != answers[i - 1].sequence_number + 1) continue;
    steps.push_back(delays_ms[i] - delays_ms[i - 1]);
    sizes.push_back(std::abs(steps.back()));
  }
  way.variation = spread_of(std::move(above));
  way.consecutive = spread_of(std::move(steps));
  way.consecutive_size = spread_of(std::move(sizes));
}

void put_one_way(const DelayInput& in, DelayReport& out, const std::vector<Crossing>& crossings, const wire::StampErrorEstimate& told) {
  auto trust = one_way_trust_of(in.here, in.there, told, in.clock_moved_ns);
  // As the clocks say, without the skew taken out: the uncertainty holds for the clocks, not for a line.
  const auto delays = delays_of(crossings, 0);
  if (trust.uncertainty_ms) {
    for (const auto* way : {&delays.to_ms, &delays.from_ms})
      if (*std::min_element(way->begin(), way->end()) < -*trust.uncertainty_ms)
        trust.why_not = "packets arrive before they were sent: the clocks differ by more than they say (" + text("%.3g ms", *trust.uncertainty_ms) + ")";
  }
  if (!trust.why_not.empty()) {
    for (auto* way : {&out.to, &out.from}) way->unread["one_way_ms"] = trust.why_not;
    return;
  }
  out.one_way_uncertainty_ms = trust.uncertainty_ms;
  out.to.one_way = spread_of(delays.to_ms);
  out.from.one_way = spread_of(delays.from_ms);
  for (const auto* way : {&out.to, &out.from})
    if (*way->one_way.median < *trust.uncertainty_ms)
      out.notes.push_back(std::string("the one-way delay ") + (way == &out.to ? "to" : "from") + " the far end is less than its uncertainty of " +
                          text("%.3g ms", *trust.uncertainty_ms));
}

void put_delays(const DelayInput& in, DelayReport& out, const std::vector<wire::StampArrival>& answers) {
  const auto crossings = crossings_of(in, answers);
  std::vector<double> round_trips, inside;
  for (const auto& c : crossings) {
    round_trips.push_back(static_cast<double>(c.round_trip_ns()) / ns_of_ms);
    inside.push_back(static_cast<double>(c.sent_back_ns - c.received_ns) / ns_of_ms);
  }
  out.round_trip = spread_of(std::move(round_trips));
  out.reflector_time = spread_of(std::move(inside));
  if (out.round_trip.min && *out.round_trip.min < 0)
    out.notes.push_back("a packet came back sooner than the reflector says it kept it: its times are wrong, or its clock was set");
  if (crossings.empty()) return;
  const double span_ns = static_cast<double>(crossings.back().sent_ns - crossings.front().sent_ns);
  const auto skew = skew_of(crossings);
  if (skew) {
    out.clock_skew_ppm = skew->ppm;
    out.clock_skew_half_width_ppm = skew->half_width;
  } else {
    out.unread["clock_skew_ppm"] = "too short a time (at least 3 s are needed), delays that vary too much, or a path that grew slower or faster";
  }
  const double tolerance_ns = stamp_noise_ns + (skew ? skew->half_width : slew_ppm) * 1e-6 * span_ns;
  const bool far_set = in.reflector && std::abs(in.reflector->clock_moved_ns) > clock_was_set_ns;
  if (far_set || !clocks_hold(crossings, skew ? skew->ppm : 0, tolerance_ns)) {
    for (auto* way : {&out.to, &out.from}) leave_unread(*way, {"one_way_ms", "variation_ms", "consecutive_ms"}, "a clock was set while it was measured");
    return;
  }
  const auto delays = delays_of(crossings, skew ? skew->ppm : 0);
  put_variation(out.to, delays.to_ms, answers);
  put_variation(out.from, delays.from_ms, answers);
  put_one_way(in, out, crossings, answers.back().reflector_estimate);
}

// The TTL of a packet sent with 255 tells how many routers it passed.
void put_hops(const DelayInput& in, DelayReport& out, const std::vector<wire::StampArrival>& answers) {
  const auto& last = answers.back();
  if (last.sender_ttl > 0)
    out.to.hops = ttl_sent - last.sender_ttl;
  else
    out.to.unread["hops"] = "the reflector does not tell the TTL";
  if (!in.is_tallywire)
    out.from.unread["hops"] = "with which TTL the reflector sends is not known";
  else if (last.ttl > 0)
    out.from.hops = ttl_sent - last.ttl;
  else
    out.from.unread["hops"] = "the kernel does not tell the TTL";
  const auto other = [&](const auto& a) { return a.sender_ttl != last.sender_ttl || a.ttl != last.ttl; };
  if (std::any_of(answers.begin(), answers.end(), other)) out.notes.push_back("the way changed: packets passed different numbers of routers");
}

std::string why_nothing_came(const DelayInput& in) {
  std::string out = in.gave_up ? "the host did not answer " + std::to_string(in.sent.size()) + " packets, so it was sent no more" : "no packet came back";
  if (in.sent.empty()) out = "no packet was sent";
  if (in.refused > 0) out += "; it says that nobody listens on this UDP port";
  if (in.ignored.wrong_hmac_packets > 0) out += "; answers came that were made with another key";
  else if (in.ignored.all() > 0) out += "; what came was no answer to what was sent";
  return out;
}

}  // namespace

OneWayTrust one_way_trust_of(const ClockQuality& here, const std::optional<ClockQuality>& there, const wire::StampErrorEstimate& told,
                             std::int64_t clock_moved_ns) {
  const auto no = [](const std::string& why) { return OneWayTrust{std::nullopt, why}; };
  if (std::abs(clock_moved_ns) > clock_was_set_ns) return no("this machine's clock was set while it was measured");
  if (!here.synchronised) return no("this machine's clock is not known to be good: " + here.why_not);
  if (there && !there->synchronised) return no("the far end's clock is not known to be good: " + there->why_not);
  if (!told.synchronised) return no("the reflector's packets say that its clock follows no outside source");
  if (told.format == wire::StampTimeFormat::ptp) return no("the reflector's times are of PTP, and whether they count TAI or UTC is not told");
  return {here.uncertainty_ms + (there ? there->uncertainty_ms : told.seconds() * 1000), ""};
}

DelayReport delay_report_of(const DelayInput& in) {
  DelayReport out;
  const auto answers = first_answers(in);
  out.sent_packets = in.sent.size();
  out.answered_packets = answers.size();
  out.duplicate_packets = in.arrivals.size() - answers.size();
  out.authenticated = in.authenticated;
  out.ignored = in.ignored;
  if (in.reflector) out.far_ignored_packets = static_cast<double>(in.reflector->ignored_packets);
  if (!in.reflector) out.unread["far_ignored_packets"] = "the reflector gives no count";
  out.packet_octets = in.packet_octets;
  out.packets_per_s = in.packets_per_s;
  out.duration_s = in.sending_s;
  out.when = in.when;
  out.method = std::string("STAMP (RFC 8762), ") + (in.authenticated ? "authenticated" : "unauthenticated") +
               text(", %.0f octets at %g a second, kernel time stamps", static_cast<double>(in.packet_octets), in.packets_per_s);
  std::vector<double> lags;
  std::vector<bool> lost;
  for (const auto& s : in.sent) {
    if (s.lag_ns >= 0) lags.push_back(static_cast<double>(s.lag_ns) / ns_of_ms);
    lost.push_back(!s.answered);
  }
  out.send_lag = spread_of(std::move(lags));
  if (out.send_lag.count == 0) out.unread["send_lag_ms"] = "the kernel does not tell when packets leave";
  std::vector<double> far_lags;
  for (const auto& a : in.arrivals)
    if (const auto lag = lag_of(in, a); lag && a.first) far_lags.push_back(static_cast<double>(*lag) / ns_of_ms);
  out.reflector_lag = spread_of(std::move(far_lags));
  if (out.reflector_lag.count == 0) out.unread["reflector_lag_ms"] = "the reflector does not tell when its answers left; they wait in its machine as ours do here";
  out.loss = loss_pattern_of(lost);
  if (answers.empty()) {
    const auto why = why_nothing_came(in);
    out.unread["round_trip_ms"] = why;
    for (auto* way : {&out.to, &out.from}) leave_unread(*way, {"one_way_ms", "variation_ms", "consecutive_ms", "hops", "reordered_packets"}, why);
    if (in.reflector) {
      put_ways(in, out);
    } else {
      for (auto* way : {&out.to, &out.from}) leave_unread(*way, {"lost_packets", "loss_ratio", "duplicate_packets"}, why);
    }
    return out;
  }
  put_ways(in, out);
  put_delays(in, out, answers);
  put_hops(in, out, answers);
  return out;
}

}  // namespace tallywire::path
