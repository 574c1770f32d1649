// The worked values of RFC 6349. Where its tables are rounded or cut by hand, the value computed by its own rule stands here.
#include "probes/path/tcp_method.hpp"
#include "probes/path/throughput.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace tallywire::path;
using Catch::Matchers::Contains;

TEST_CASE("bandwidth-delay products and windows are those of the standard") {
  struct Row {
    double mbps, round_trip_ms, bits, window_kb;
  };
  // RFC 6349 Table 3.3.1; the last two of §3.3.1's text have no window there: an eighth.
  const Row rows[] = {{1.536, 20, 30'720, 3.84},     {1.536, 50, 76'800, 9.60},   {1.536, 100, 153'600, 19.20}, {44.21, 10, 442'100, 55.26},
                      {44.21, 15, 663'150, 82.89},   {44.21, 25, 1'105'250, 138.16}, {100, 1, 100'000, 12.5},   {100, 2, 200'000, 25},
                      {100, 5, 500'000, 62.5},       {1000, 0.1, 100'000, 12.5},  {1000, 0.5, 500'000, 62.5},   {1000, 1, 1'000'000, 125},
                      {5, 90, 450'000, 56.25},       {0.640, 90, 57'600, 7.2}};
  for (const auto& row : rows) {
    CAPTURE(row.mbps, row.round_trip_ms);
    CHECK(bandwidth_delay_product_bits(row.mbps * 1e6, row.round_trip_ms / 1e3) == Approx(row.bits));
    CHECK(window_to_fill_bytes(row.mbps * 1e6, row.round_trip_ms / 1e3) / 1e3 == Approx(row.window_kb).margin(0.005));
  }
}

TEST_CASE("a window lets through no more than itself each round trip") {
  // RFC 6349 §3.3.1 and Figures 3.3.1a, b: 25.6, 12.8, 20.5 and 40.9 Mbit/s; the last two exactly 20.48 and 40.96.
  CHECK(window_limited_bps(16e3, 0.005) / 1e6 == Approx(25.6));
  CHECK(window_limited_bps(16e3, 0.010) / 1e6 == Approx(12.8));
  CHECK(window_limited_bps(64e3, 0.015) / 1e6 == Approx(34.1).margin(0.05));
  CHECK(window_limited_bps(64e3, 0.025) / 1e6 == Approx(20.48));
  CHECK(window_limited_bps(128e3, 0.025) / 1e6 == Approx(40.96));
}

TEST_CASE("connections that fill the path are counted whole") {
  // RFC 6349 Table 5.1: 500 Mbit/s, 5 ms, 312.5 kB.
  const std::pair<double, int> rows[] = {{16e3, 20}, {32e3, 10}, {64e3, 5}, {128e3, 3}};
  for (const auto& [window, count] : rows) CHECK(connections_to_fill(500e6, 0.005, window) == count);
  CHECK(connections_to_fill(1e6, 0.001, 64e3) == 1);
}

TEST_CASE("what a link carries of payload is counted in whole frames") {
  // RFC 6349 §4.1.1: a T3 carries 3664 frames of 1508 octets, 1460 of them data: 42.8 Mbit/s. 44.21 Mbit/s as its Table 3.3.1.
  CHECK(ideal_goodput_bps(44.21e6, 1508, 1460) / 1e6 == Approx(42.8).margin(0.05));
  // 100 Mbit/s Ethernet: 8127 frames/s, 94.9 Mbit/s (the same section); 94.928 computed.
  CHECK(ideal_goodput_bps(100e6, 1500 + frame_octets_beyond_ip, 1460) / 1e6 == Approx(94.928).margin(0.001));
}

TEST_CASE("the three metrics are those of the standard") {
  CHECK(transfer_time_ratio(12, 8) == Approx(1.5));                                // RFC 6349 §4.1.2
  CHECK(tcp_efficiency_ratio(102'000, 2000) * 100 == Approx(98.039).margin(5e-4)); // §4.2.1 prints 98.03
  CHECK(buffer_delay_ratio(0.032, 0.025) * 100 == Approx(28));                     // §4.3.1
  CHECK(base_round_trip_s({0.031, 0.025, 0.027}) == 0.025);                        // §3.2.1: the least
}

TEST_CASE("nothing is divided by nothing") {
  CHECK(tcp_efficiency_ratio(0, 0) == 0);
  CHECK(window_limited_bps(64e3, 0) == 0);
  CHECK(connections_to_fill(1e9, 0.001, 0) == 1);
  CHECK(buffer_delay_ratio(0.020, 0.025) == 0);
  CHECK(base_round_trip_s({}) == 0);
}

namespace {

// A second of a connection that had more to send than the path took.
SendingShares full_path() {
  SendingShares s;
  s.duration_s = 1;
  s.busy_s = 1;
  s.waited_s = 0.97;
  s.goodput_bps = 95e6;
  s.sent_bytes = 12e6;
  s.sent_again_bytes = 6e4;
  s.base_round_trip_s = 0.001;
  s.mean_round_trip_s = 0.031;
  return s;
}

}  // namespace

TEST_CASE("what limits is found with its evidence") {
  auto s = full_path();
  SECTION("the path, by its queue and its losses") {
    const auto limit = find_limit(s);
    CHECK(limit.by == "path");
    CHECK_THAT(limit.reason, Contains("0.5 % was sent again") && Contains("from 1 to 31 ms"));
    CHECK_THAT(limit.try_next, Contains("slowest link"));
  }
  SECTION("the path, that loses without a queue") {
    s.mean_round_trip_s = 0.0011;
    CHECK_THAT(find_limit(s).try_next, Contains("duplex"));
  }
  SECTION("the receiver's window") {
    s.window_full_s = 0.93;
    s.window_bytes = 16e3;
    s.window_needed_bytes = 62.5e3;
    const auto limit = find_limit(s);
    CHECK(limit.by == "window");
    CHECK_THAT(limit.reason, Contains("receiver's window was full 93 %") && Contains("16 kB") && Contains("62.5 kB"));
  }
  SECTION("the path, that is full, whatever the kernel waited for") {
    s.window_full_s = 0.93;
    s.ideal_bps = 95.6e6;
    const auto limit = find_limit(s);
    CHECK(limit.by == "path");
    CHECK_THAT(limit.reason, Contains("95 of the 95.6 Mbit/s"));
    s.ideal_bps = 190e6;
    CHECK(find_limit(s).by == "window");
  }
  SECTION("the send buffer") {
    s.send_buffer_full_s = 0.8;
    const auto limit = find_limit(s);
    CHECK(limit.by == "window");
    CHECK_THAT(limit.reason, Contains("send buffer was full 80 %"));
    CHECK_THAT(limit.try_next, Contains("tcp_wmem"));
  }
  SECTION("the ceiling comes before all else") {
    s.ceiling_bps = 95e6;
    s.held_s = 0.6;
    s.window_full_s = 0.9;
    const auto limit = find_limit(s);
    CHECK(limit.by == "sender");
    CHECK_THAT(limit.reason, Contains("ceiling of 95 Mbit/s") && Contains("60 %"));
  }
  SECTION("a ceiling that was not reached is none") {
    s.ceiling_bps = 1e9;
    CHECK(find_limit(s).by == "path");
  }
  SECTION("the machine that sends") {
    s.waited_s = 0.05;
    CHECK(find_limit(s).by == "sender");
  }
  SECTION("a busy machine at either end, where nothing is lost") {
    s.sent_again_bytes = 0;
    s.sender_cpu_s = 0.7;
    CHECK(find_limit(s).by == "sender");
    s.receiver_cpu_s = 0.8;
    CHECK(find_limit(s).by == "window");
    CHECK_THAT(find_limit(s).reason, Contains("machine that receives") && Contains("80 %"));
    s.sent_again_bytes = 6e4;
    CHECK(find_limit(s).by == "path");
  }
}

namespace {

ThroughputReport measured() {
  ThroughputReport r;
  r.goodput_bps = 90e6;
  r.duration_s = 2;
  r.received_bytes = 22.5e6;
  r.round_trip_ms = 32;
  r.base_round_trip_ms = 25;
  r.segment_bytes = 1460;
  r.sent_bytes = 102'000;
  r.sent_again_bytes = 2000;
  r.window_offered_bytes = 64e3;
  r.busy_ratio = 1;
  r.window_full_ratio = 0;
  r.send_buffer_full_ratio = 0;
  r.sender_waited_ratio = 0.9;
  return r;
}

}  // namespace

TEST_CASE("the method is applied to what was measured") {
  auto r = measured();
  apply_method(r, 1500, 100e6);
  CHECK(*r.ideal_goodput_bps / 1e6 == Approx(94.928).margin(0.001));  // RFC 6349 §4.1.1
  CHECK(*r.achieved_ratio == Approx(90 / 94.928).epsilon(1e-4));
  CHECK(*r.transfer_time_ratio == Approx(94.928 / 90).epsilon(1e-4));
  CHECK(*r.window_needed_bytes == Approx(100e6 * 0.025 / 8));         // §3.3.1
  CHECK(*r.connections_needed == 5);                                  // 312.5 kB by 64 kB, as in Table 5.1
  CHECK(*r.tcp_efficiency_ratio == Approx(0.98039).margin(5e-6));     // §4.2.1
  CHECK(*r.buffer_delay_ratio == Approx(0.28));                       // §4.3.1
  CHECK(r.bottleneck_by == "udp");
  CHECK(r.limited_by == "path");
}

TEST_CASE("without UDP the bottleneck is what TCP delivered") {
  auto r = measured();
  r.delivery_bps = 94.928e6;
  apply_method(r, 1500, std::nullopt);
  CHECK(*r.bottleneck_bps / 1e6 == Approx(100).epsilon(1e-4));
  CHECK(r.bottleneck_by == "tcp");
  auto windowed = measured();
  windowed.delivery_bps = 94.928e6;
  windowed.window_full_ratio = 0.9;
  apply_method(windowed, 1500, std::nullopt);
  CHECK_FALSE(windowed.bottleneck_bps);
  CHECK(windowed.limited_by == "window");
}

TEST_CASE("what was not read makes unread what is computed from it, with the reason") {
  auto r = measured();
  r.busy_ratio.reset();
  apply_method(r, std::nullopt, std::nullopt);
  const nlohmann::json answer = r;
  for (const char* key : {"bottleneck_bps", "window_needed_bytes", "ideal_goodput_bps", "achieved_ratio", "transfer_time_ratio", "limited_by"}) {
    CAPTURE(key);
    CHECK(answer.at(key).is_null());
    CHECK_FALSE(answer.at("unread").value(key, "").empty());
  }
  CHECK(answer.at("tcp_efficiency_ratio").is_number());
}

TEST_CASE("a far end's answer is believed only where its types are right") {
  ThroughputReport r;
  take_sender(r, nlohmann::json{{"round_trip_ms", 3.5}, {"segment_bytes", "1448"}, {"sent_bytes", nullptr}, {"congestion_control", 7}});
  CHECK(*r.round_trip_ms == 3.5);
  CHECK_FALSE(r.segment_bytes);
  CHECK_FALSE(r.unread.at("segment_bytes").empty());
  CHECK_FALSE(r.unread.at("sent_bytes").empty());
  CHECK(r.congestion_control.empty());
}
