// The plan of made-up streams: sizes, times, windows.
#include "probes/path/rehearsal_packets.hpp"
#include "probes/path/rehearsal_plan.hpp"

#include <catch2/catch.hpp>

#include <cmath>
#include <set>

using namespace tallywire;
using namespace tallywire::path;

namespace {

// Arithmetic (check-values, section 2): 25 frames/s, a key frame of 60 000 octets and 24 others of 5000: 1 440 000 bit/s.
MadeUpStream example() {
  MadeUpStream s;
  s.name = "1";
  s.gop_frames = 25;
  s.payload_bps = 1'440'000;
  s.key_ratio = 12;
  return s;
}

std::vector<MadeUpStream> many(std::size_t count) {
  std::vector<MadeUpStream> out(count, example());
  for (std::size_t i = 0; i < count; ++i) out[i].unit = i;
  return out;
}

double octets_of_gop(const MadeUpStream& s, double scale) {
  double octets = 0;
  for (int n = 0; n < s.gop_frames; ++n) octets += static_cast<double>(frame_of(s, static_cast<std::uint64_t>(n), scale).octets);
  return octets;
}

}  // namespace

TEST_CASE("a GOP is one key frame and the rest, as large as the bit rate says") {
  const auto s = example();
  CHECK(frame_of(s, 0, 1).key);
  CHECK(frame_of(s, 0, 1).octets == 60'000);
  for (std::uint64_t n = 1; n < 25; ++n) {
    CHECK_FALSE(frame_of(s, n, 1).key);
    CHECK(frame_of(s, n, 1).octets == 5'000);
    CHECK(frame_of(s, n, 1).at_s == Approx(static_cast<double>(n) / 25));
  }
  CHECK(frame_of(s, 25, 1).key);
  CHECK(octets_of_gop(s, 1) * 8 == Approx(1'440'000));
  CHECK(octets_of_gop(s, 0.5) * 8 == Approx(720'000));
}

TEST_CASE("difference frames of a capped stream differ, and its mean does not") {
  auto s = example();
  s.constant = false;
  s.seed = 7;
  std::set<std::size_t> sizes;
  for (std::uint64_t n = 1; n < 25; ++n) {
    const auto octets = frame_of(s, n, 1).octets;
    sizes.insert(octets);
    CHECK(octets >= static_cast<std::size_t>(5'000 * (1 - capped_swing_ratio)) - 1);
    CHECK(octets <= static_cast<std::size_t>(5'000 * (1 + capped_swing_ratio)) + 1);
    CHECK(octets == frame_of(s, n + 25, 1).octets);  // the pattern repeats
  }
  CHECK(sizes.size() > 10);
  CHECK(octets_of_gop(s, 1) * 8 == Approx(1'440'000).epsilon(1e-4));
}

TEST_CASE("a stream that begins in the middle of a GOP has its key frame at its phase") {
  auto s = example();
  s.phase_s = 0.25;  // six frames and a quarter before it
  CHECK(frame_of(s, 0, 1).at_s == Approx(0.01));
  CHECK(frame_of(s, 0, 1).in_gop == 19);
  CHECK(frame_of(s, 6, 1).key);
  CHECK(frame_of(s, 6, 1).at_s == Approx(0.25));
  CHECK(frame_of(s, 31, 1).key);
  CHECK(frame_of(s, 31, 1).at_s == Approx(1.25));
}

TEST_CASE("the same seed gives the same phases, another one others, and together gives none") {
  const auto one = plan_rehearsal(many(40), RehearsalPhases::random, 5), again = plan_rehearsal(many(40), RehearsalPhases::random, 5),
             other = plan_rehearsal(many(40), RehearsalPhases::random, 6), together = plan_rehearsal(many(40), RehearsalPhases::together, 5);
  REQUIRE(one.has_value());
  double sum = 0;
  int same = 0;
  for (std::size_t i = 0; i < 40; ++i) {
    CHECK(one->streams[i].phase_s == again->streams[i].phase_s);
    CHECK(one->streams[i].phase_s >= 0);
    CHECK(one->streams[i].phase_s < 1);
    CHECK(together->streams[i].phase_s == 0);
    same += one->streams[i].phase_s == other->streams[i].phase_s;
    sum += one->streams[i].phase_s;
  }
  CHECK(same == 0);
  CHECK(sum / 40 == Approx(0.5).margin(0.2));  // a mean of 40 uniform ones: standard deviation 0.046
}

TEST_CASE("what cannot be made up is refused with what would be right") {
  auto streams = many(1);
  const auto refused = [&](auto change) {
    auto wrong = streams;
    change(wrong[0]);
    const auto plan = plan_rehearsal(wrong, RehearsalPhases::random, 1);
    REQUIRE_FALSE(plan.has_value());
    CHECK(plan.error().kind == FaultKind::bad_request);
    CHECK_FALSE(plan.error().try_next.empty());
  };
  refused([](MadeUpStream& s) { s.frame_rate_hz = 0; });
  refused([](MadeUpStream& s) { s.frame_rate_hz = std::nan(""); });
  refused([](MadeUpStream& s) { s.gop_frames = 0; });
  refused([](MadeUpStream& s) { s.gop_frames = 10'000; });
  refused([](MadeUpStream& s) { s.payload_bps = 1; });
  refused([](MadeUpStream& s) { s.payload_bps = 2e9; });
  refused([](MadeUpStream& s) { s.key_ratio = 0.5; });
  refused([](MadeUpStream& s) { s.link_bps = 0; });
  CHECK_FALSE(plan_rehearsal({}, RehearsalPhases::random, 1).has_value());
  CHECK_FALSE(plan_rehearsal(many(most_rehearsed_streams + 1), RehearsalPhases::random, 1).has_value());
}

TEST_CASE("packets of a frame add up to it, and none is too short for its stamp") {
  for (std::size_t octets = 128; octets < 9'000; octets += 7)
    for (const bool key : {false, true}) {
      const MadeUpFrame frame{0, key, 0, octets};
      FrameCut cut(frame, 30);
      std::size_t sum = 0, first = 0, last = 0;
      while (const auto piece = cut.next()) {
        sum += piece->octets;
        first += piece->first;
        last += piece->last;
        CHECK(piece->octets <= rehearsal_packet_octets);
        if (!piece->parameter_sets) CHECK(piece->octets + rtp_header_octets >= made_up_header_octets);
      }
      CHECK(sum == octets);
      CHECK(first == 1);
      CHECK(last == 1);
    }
}

TEST_CASE("on the wire a full packet takes 1478 octets, and the mean follows") {
  // 1400 + RTP 12 (RFC 3550) + UDP 8 (RFC 768) + IPv4 20 (RFC 791) + Ethernet 14 and FCS 4, preamble 8, gap 12 (RFC 5180 App. A).
  CHECK(rehearsal_wire_octets(1400, false) == 1478);
  CHECK(rehearsal_wire_octets(1400, true) == 1498);  // IPv6 has 40 (RFC 8200)
  const auto s = example();
  const auto sets = parameter_sets_of(s.width_px, s.height_px).size();
  // The key frame: its sets, 42 full packets and the rest; the others: three full ones and 800.
  const double key = (static_cast<double>(sets) + 78) + 42 * 1478 + (60'000.0 - static_cast<double>(sets) - 42 * 1400 + 78);
  const double other = 3 * 1478 + 800 + 78;
  CHECK(mean_wire_bps(s, 1, false) == Approx((key + 24 * other) * 8));
}

TEST_CASE("windows of one stream are those of its bursts") {
  const auto s = example();
  const auto windows = windows_of(s, 1, false);
  double count = 0, sum = 0;
  for (const auto& w : windows) {
    count += static_cast<double>(w.windows);
    sum += static_cast<double>(w.octets * w.windows);
  }
  CHECK(count == 1000);  // one begins at every millisecond of the GOP
  CHECK(sum / count * 80 == Approx(mean_wire_bps(s, 1, false)).epsilon(1e-3));
  // 100 ms hold two or three frames of 25 a second: two of the small ones at least, the key frame and two others at most.
  const double small = 3 * 1478 + 878;
  CHECK(static_cast<double>(windows.front().octets) == Approx(2 * small).margin(2));
  CHECK(static_cast<double>(windows.back().octets) > 60'000 * 1478.0 / 1400 + small);
  CHECK(static_cast<double>(windows.back().octets) < 61'000 * 1478.0 / 1400 + 2 * small);
}

TEST_CASE("the busiest window of streams together is all their key frames, and lower where they fall apart") {
  const auto together = plan_rehearsal(many(30), RehearsalPhases::together, 1), apart = plan_rehearsal(many(30), RehearsalPhases::random, 1);
  const double most_of_one = static_cast<double>(windows_of(together->streams[0], 1, false).back().octets) * 80;
  CHECK(busiest_window_bps(*together, 1, 2) == Approx(30 * most_of_one).epsilon(0.01));
  CHECK(busiest_window_bps(*apart, 1, 2) < 0.6 * 30 * most_of_one);
  CHECK(busiest_window_bps(*apart, 1, 2) >= mean_wire_bps(*apart, 1));
}
