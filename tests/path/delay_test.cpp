// Delays and their variation; the truth is what the made-up path did.
#include "probes/path/delay.hpp"
#include "probes/path/delay_skew.hpp"
#include "tests/path/made_session.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <random>

using namespace tallywire;
using namespace tallywire::path;
using tallywire::test::MadeSession;

namespace {

Approx near(double value, double margin) { return Approx(value).margin(margin).epsilon(0); }

}  // namespace

TEST_CASE("the round trip leaves out what the reflector took, whatever its clock says") {
  MadeSession made;
  made.far_offset_ms = -3'600'000;
  const auto report = delay_report_of(made.run());
  CHECK(report.sent_packets == 250);
  CHECK(report.answered_packets == 250);
  CHECK(report.round_trip.min == near(5, 1e-5));
  CHECK(report.round_trip.median == near(5, 1e-5));
  CHECK(report.round_trip.p99 == near(5, 1e-5));
  CHECK_FALSE(report.round_trip.p999.has_value());
  CHECK(report.reflector_time.median == near(0.3, 1e-5));
}

TEST_CASE("when the far end tells how late its answers left, that is taken out too") {
  MadeSession made;
  auto in = made.run();
  in.reflector->lags_100ns.assign(250, 1000);  // 0.1 ms
  in.reflector->lags_100ns[3] = -1;
  const auto report = delay_report_of(in);
  CHECK(report.round_trip.median == near(4.9, 1e-5));
  CHECK(report.round_trip.max == near(5, 1e-5));
  CHECK(report.reflector_lag.count == 249);
  CHECK(report.reflector_lag.median == near(0.1, 1e-9));
}

TEST_CASE("what the kernel tells of a packet's leaving is taken out of the round trip") {
  MadeSession made;
  auto in = made.run();
  for (auto& s : in.sent) {
    s.sent_ns += 40'000;
    s.lag_ns = 40'000;
  }
  const auto report = delay_report_of(in);
  CHECK(report.round_trip.median == near(4.96, 1e-5));
  CHECK(report.send_lag.median == near(0.04, 1e-9));
  CHECK(delay_report_of(made.run()).unread.contains("send_lag_ms"));
}

TEST_CASE("variation is told each way, from clocks that differ and run differently") {
  for (const double ppm : {0.0, 45.0, -80.0}) {
    MadeSession made;
    made.packets = 1500;  // 30 s: 80 ppm of it are 2.4 ms, more than all that varies
    made.far_offset_ms = 541'000;
    made.far_skew_ppm = ppm;
    made.to = [](std::uint32_t n) { return std::vector<double>{n % 4 == 3 ? 2.8 : 2.0}; };
    made.from = [](std::uint32_t n) { return std::vector<double>{n % 10 == 9 ? 4.5 : 3.0}; };
    const auto report = delay_report_of(made.run());
    REQUIRE(report.clock_skew_ppm.has_value());
    CHECK(report.clock_skew_ppm == near(ppm, 0.1 + *report.clock_skew_half_width_ppm));
    CHECK(*report.clock_skew_half_width_ppm < 1);
    const double rest = 0.001 + *report.clock_skew_half_width_ppm * 30e-3;
    CHECK(report.to.variation.median == near(0, rest));
    CHECK(report.to.variation.p95 == near(0.8, rest));
    CHECK(report.to.variation.p999 == near(0.8, rest));
    CHECK(report.from.variation.p95 == near(1.5, rest));
    CHECK(report.to.consecutive.min == near(-0.8, 0.01));
    CHECK(report.to.consecutive.max == near(0.8, 0.01));
    CHECK(report.from.consecutive_size.median == near(0, 0.01));
    CHECK(report.from.consecutive_size.p95 == near(1.5, 0.01));
  }
}

TEST_CASE("RFC 3393 §2 with the delays of RFC 4737 Table 1: 68, 68 and 150 ms give 0 and +82; a lost packet gives no pair") {
  MadeSession made;
  made.packets = 5;
  made.interval_ns = 20 * test::ns_of_ms;
  made.to = [](std::uint32_t n) {
    const std::vector<std::vector<double>> delays = {{68}, {68}, {150}, {}, {68}};
    return delays.at(n);
  };
  const auto report = delay_report_of(made.run());
  CHECK(report.to.consecutive.count == 2);
  CHECK(report.to.consecutive.min == near(0, 1e-4));
  CHECK(report.to.consecutive.max == near(82, 1e-4));
}

TEST_CASE("a path that grows slower bends one line: the skew is unread, not wrong") {
  MadeSession made;
  made.packets = 500;
  made.to = [](std::uint32_t n) { return std::vector<double>{2 + n * 0.01}; };  // by 5 ms in 10 s
  const auto report = delay_report_of(made.run());
  CHECK_FALSE(report.clock_skew_ppm.has_value());
  CHECK(report.unread.contains("clock_skew_ppm"));
  CHECK(report.to.variation.max == near(4.99, 0.001));
}

TEST_CASE("with queues both ways the true skew lies within the width that is told, 200 times of 200") {
  std::mt19937 random(7);
  std::exponential_distribution<double> queue(1 / 0.4);
  int told = 0;
  for (int i = 0; i < 200; ++i) {
    MadeSession made;
    made.packets = 300;
    made.far_skew_ppm = -60 + 0.6 * i;
    made.to = [&](std::uint32_t) { return std::vector<double>{2 + queue(random)}; };
    made.from = [&](std::uint32_t) { return std::vector<double>{3 + queue(random)}; };
    const auto report = delay_report_of(made.run());
    if (!report.clock_skew_ppm) continue;
    ++told;
    // Sen's width is one of 95 %; of the two ways' common part twice it must hold.
    CHECK(std::abs(*report.clock_skew_ppm - made.far_skew_ppm) < 2 * *report.clock_skew_half_width_ppm + 5);
  }
  CHECK(told > 150);
}

TEST_CASE("a clock that is set while it is measured leaves the ways unread and the round trip read") {
  MadeSession made;
  made.packets = 500;
  made.far_set_at_packet = 300;
  const auto report = delay_report_of(made.run());
  CHECK(report.round_trip.median == near(5, 1e-5));
  CHECK(report.to.variation.count == 0);
  CHECK(report.to.unread.at("variation_ms") == "a clock was set while it was measured");
  CHECK(report.from.unread.contains("one_way_ms"));
  // Less than the round trip is noticed only by the machine whose clock it is.
  auto in = MadeSession{}.run();
  CHECK(delay_report_of(in).to.variation.count == 250);
  in.reflector->clock_moved_ns = -3'000'000;
  CHECK(delay_report_of(in).to.unread.at("variation_ms") == "a clock was set while it was measured");
}

TEST_CASE("one-way delays stand where both clocks are known to be good, with the sum of their uncertainties") {
  MadeSession made;
  made.far_offset_ms = 0.4;
  const auto report = delay_report_of(made.run());
  CHECK(report.one_way_uncertainty_ms == 1.5);
  CHECK(report.to.one_way.median == near(2.4, 1e-4));
  CHECK(report.from.one_way.median == near(2.6, 1e-4));
  CHECK(report.notes.empty());
}

TEST_CASE("a one-way delay below its uncertainty is said to be so") {
  MadeSession made;
  made.here.uncertainty_ms = 2;
  const auto report = delay_report_of(made.run());
  CHECK(report.one_way_uncertainty_ms == 3.0);
  REQUIRE(report.notes.size() == 1);
  CHECK(report.notes[0] == "the one-way delay to the far end is less than its uncertainty of 3 ms");
}

TEST_CASE("one-way delays are unread with the reason where a clock is not known to be good") {
  const auto why = [](const MadeSession& made) {
    const auto report = delay_report_of(made.run());
    CHECK(report.to.one_way.count == 0);
    CHECK_FALSE(report.one_way_uncertainty_ms.has_value());
    CHECK(report.from.unread.at("one_way_ms") == report.to.unread.at("one_way_ms"));
    CHECK(report.to.variation.count == 250);
    return report.to.unread.at("one_way_ms");
  };
  MadeSession made;
  made.here = clock_quality_of(5, 0x40, 16'000'000, 16'000'000);
  CHECK(why(made) == "this machine's clock is not known to be good: the kernel says that nothing keeps its clock (ntp_adjtime)");
  made = {};
  made.there = ClockQuality{false, 16000, "it says so"};
  CHECK(why(made) == "the far end's clock is not known to be good: it says so");
  made = {};
  made.far_estimate.synchronised = false;  // S of RFC 4656 §4.1.2
  CHECK(why(made) == "the reflector's packets say that its clock follows no outside source");
  made = {};
  made.far_estimate.format = wire::StampTimeFormat::ptp;
  CHECK(why(made).find("TAI or UTC") != std::string::npos);
  made = {};
  made.clock_moved_ns = -2'000'000;
  CHECK(why(made) == "this machine's clock was set while it was measured");
  made = {};
  made.far_offset_ms = -8;  // packets would arrive 6 ms before they were sent
  CHECK(why(made).find("packets arrive before they were sent") == 0);
}

TEST_CASE("a plain reflector's own estimate stands for its clock") {
  MadeSession made;
  made.is_tallywire = false;
  made.tells_count = false;
  made.there.reset();
  made.far_estimate = wire::decode_error_estimate(0x9405);  // 1.220703125 ms, RFC 4656 §4.1.2
  CHECK(delay_report_of(made.run()).one_way_uncertainty_ms == near(1.720703125, 1e-9));
}

TEST_CASE("the kernel's clock state: TIME_ERROR or STA_UNSYNC is no good clock (ntp_adjtime(3))") {
  CHECK(clock_quality_of(0, 0, 1500, 500).synchronised);
  CHECK(clock_quality_of(0, 0, 1500, 500).uncertainty_ms == 2);
  CHECK(clock_quality_of(2, 0, 1, 1).synchronised);  // TIME_DEL: a leap second is coming
  CHECK_FALSE(clock_quality_of(5, 0, 1500, 500).synchronised);
  CHECK_FALSE(clock_quality_of(0, 0x40, 1500, 500).synchronised);
  const auto here = read_clock_quality();
  CHECK(here.synchronised == here.why_not.empty());
}

TEST_CASE("of two looks the less trusted counts, and a look comes back from its JSON or not at all") {
  const ClockQuality good{true, 1, ""}, better{true, 0.5, ""}, bad{false, 0.1, "no"};
  CHECK(worse_of(good, better).uncertainty_ms == 1);
  CHECK_FALSE(worse_of(good, bad).synchronised);
  CHECK_FALSE(worse_of(bad, good).synchronised);
  const nlohmann::json told = bad;
  CHECK(clock_quality_from(told)->why_not == "no");
  for (const char* wrong : {R"(null)", R"({})", R"({"synchronised": true, "uncertainty_ms": -1, "why_not": ""})", 
                            R"({"synchronised": true, "uncertainty_ms": 1, "why_not": "x"})", R"({"synchronised": 1, "uncertainty_ms": 1, "why_not": ""})"})
    CHECK_FALSE(clock_quality_from(nlohmann::json::parse(wrong)).has_value());
}
