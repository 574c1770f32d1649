// The search against a path made up packet by packet: a link that serves at a fixed rate from a queue that drops its tail, or a
// token bucket that drops what exceeds it. What such a path carries without loss for ever is its rate (RFC 1242 §3.17).
#include "probes/path/train_counter.hpp"
#include "probes/path/udp_capacity.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>

using namespace tallywire::path;
using Catch::Matchers::Contains;

namespace {

constexpr double wire_bits = 1538 * 8;

struct MadeUpPath {
  double rate_bps = 20e6;
  double queue_s = 0.050;         // 0 with a bucket: what exceeds is dropped
  double bucket_bits = 0;
  double sender_most_bps = 1e12;  // what the machine that sends reaches
  double loss_every = 0;          // one packet of so many is lost whatever the rate
  int stall_at_trial = 0;         // in that trial the receiver stands still for 30 ms
  double stall_from = 0.5;        // of the trial
  int room_packets = 0;           // a receiver that loses what comes beyond so many in a trial; 0: takes all

  double worst_loss_s = 0;
  int trials = 0;
  double spent_s = 0;

  Trial carry(const TrialOrder& order) {
    Trial out;
    out.asked_bps = order.rate_bps;
    const double rate = std::min(order.rate_bps, sender_most_bps), gap_s = wire_bits / rate;
    out.sent = static_cast<std::uint32_t>(std::max(2.0, std::ceil(std::chrono::duration<double>(order.duration).count() / (wire_bits / order.rate_bps))));
    out.seconds = out.sent * gap_s;
    out.sent_bps = rate;
    ++trials;
    spent_s += out.seconds + 0.01;
    TrainCounter counter;
    double free_s = 0, tokens = bucket_bits, last_s = 0;
    for (std::uint32_t i = 0; i < out.sent; ++i) {
      const double at_s = i * gap_s;
      if (loss_every > 0 && std::fmod(i + 1 + trials * 7.0, loss_every) < 1) continue;
      tokens = std::min(bucket_bits, tokens + (at_s - last_s) * rate_bps);
      last_s = at_s;
      double arrival_s = at_s;
      if (bucket_bits > 0) {
        if (tokens < wire_bits) continue;
        tokens -= wire_bits;
      } else {
        if (free_s - at_s > queue_s) continue;
        free_s = std::max(free_s, at_s) + wire_bits / rate_bps;
        arrival_s = free_s;
      }
      if (room_packets > 0 && i >= static_cast<std::uint32_t>(room_packets)) {
        ++out.dropped_here;
        continue;
      }
      if (trials == stall_at_trial && at_s > out.seconds * stall_from) arrival_s = std::max(arrival_s, out.seconds * stall_from + 0.030);
      UdpPacket packet;
      packet.kind = UdpKind::train;
      packet.trial = static_cast<std::uint16_t>(trials);
      packet.sequence = i;
      packet.packets = out.sent;
      packet.sent_ns = static_cast<std::uint64_t>(at_s * 1e9);
      counter.add(packet, static_cast<std::int64_t>(arrival_s * 1e9) + 77'000'000'000);
    }
    const auto& count = counter.count();
    out.received = count.received;
    out.delay_growth_ms = count.delay_growth_ms;
    if (count.arrival_packets_per_s) out.arrival_bps = *count.arrival_packets_per_s * wire_bits;
    return out;
  }
};

SearchSettings settings(double ceiling_bps = 100e9) {
  SearchSettings s;
  s.ceiling_bps = ceiling_bps;
  s.packet_bytes = 1500;
  return s;
}

CapacityReport search(MadeUpPath& path, const SearchSettings& s) {
  CapacitySearch search(s);
  while (const auto order = search.next(path.spent_s)) {
    REQUIRE(path.trials < 100);
    CHECK(order->rate_bps <= s.ceiling_bps);
    search.take(path.carry(*order));
  }
  return search.report(path.spent_s);
}

}  // namespace

TEST_CASE("the capacity of a queueing link is found within one per cent, in the time there is") {
  for (const double rate : {0.6e6, 2.2e6, 20e6, 100e6, 940e6, 2.5e9})
    for (const double queue_s : {0.002, 0.010, 0.050, 0.200}) {
      CAPTURE(rate, queue_s);
      MadeUpPath path;
      path.rate_bps = rate;
      path.queue_s = queue_s;
      const auto found = search(path, settings());
      REQUIRE(found.capacity_bps);
      CHECK(*found.capacity_bps / rate == Approx(1).margin(rate < 1e6 ? 0.05 : 0.01));
      CHECK(found.limited_by == "path");
      CHECK_FALSE(found.at_least);
      CHECK(found.confirmed);
      CHECK(*found.rate_above_bps > *found.capacity_bps);
      CHECK(path.spent_s < 10);
    }
}

TEST_CASE("a bucket that lets a burst through does not pass for capacity") {
  for (const double burst_s : {0.001, 0.020, 0.100}) {
    CAPTURE(burst_s);
    MadeUpPath path;
    path.rate_bps = 50e6;
    path.bucket_bits = 50e6 * burst_s;
    const auto found = search(path, settings());
    REQUIRE(found.capacity_bps);
    // The longest trial of 2 s lets through what the burst adds to it.
    CHECK(*found.capacity_bps / 50e6 == Approx(1 + burst_s / 4).margin(burst_s / 4 + 0.012));
    CHECK(found.limited_by == "path");
    CHECK(*found.loss_ratio_above > 0);
  }
}

TEST_CASE("the ceiling is never passed, and told as at least") {
  MadeUpPath path;
  path.rate_bps = 1e9;
  const auto found = search(path, settings(30e6));
  CHECK(*found.capacity_bps == Approx(30e6));
  CHECK(found.at_least);
  CHECK(found.limited_by == "ceiling");
  CHECK(found.unread.contains("loss_ratio_above"));
}

TEST_CASE("a sender that reaches no more is told, not taken for the path") {
  MadeUpPath path;
  path.rate_bps = 10e9;
  path.sender_most_bps = 700e6;
  const auto found = search(path, settings());
  CHECK(*found.capacity_bps == Approx(700e6));
  CHECK(found.at_least);
  CHECK(found.limited_by == "sender");
}

TEST_CASE("a receiver without room is told, not taken for the path") {
  MadeUpPath path;
  path.rate_bps = 10e9;
  path.room_packets = 3000;
  const auto found = search(path, settings());
  CHECK(found.at_least);
  CHECK(found.limited_by == "receiver");
}

TEST_CASE("one moment's stall of a machine does not pass for a queue") {
  for (int trial = 1; trial < 12; ++trial)
    for (const double from : {0.1, 0.5, 0.7, 0.9}) {
      CAPTURE(trial, from);
      MadeUpPath path;
      path.rate_bps = 20e6;
      path.stall_at_trial = trial;
      path.stall_from = from;
      const auto found = search(path, settings());
      CHECK(*found.capacity_bps / 20e6 == Approx(1).margin(0.015));
    }
}

TEST_CASE("a path that always loses has no rate without loss") {
  MadeUpPath path;
  path.loss_every = 3;
  const auto found = search(path, settings());
  CHECK_FALSE(found.capacity_bps);
  CHECK_FALSE(found.unread.at("capacity_bps").empty());
  CHECK(*found.loss_ratio_above == Approx(1.0 / 3).margin(0.1));
  const nlohmann::json answer = found;
  CHECK(answer.at("capacity_bps").is_null());
}

TEST_CASE("payload and wire are told by the size of the packet") {
  MadeUpPath path;
  path.rate_bps = 100e6;
  const auto found = search(path, settings());
  // RFC 768, RFC 791: 28 octets of header; IEEE 802.3: 38 beyond the IP packet.
  CHECK(*found.capacity_payload_bps / *found.capacity_bps == Approx(1472.0 / 1538));
  CHECK(*found.capacity_packets_per_s == Approx(8127).epsilon(0.01));  // RFC 6349 §4.1.1 and RFC 2544 Appendix B
}
