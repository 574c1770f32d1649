#include "probes/stream/frame_log.hpp"

#include <catch2/catch.hpp>

#include <cstdlib>

using namespace tallywire::stream;

namespace {

// One packet a frame at 25 frames/s: 3600 ticks of 90 kHz (RFC 3551 §4), 40 ms.
struct Feed {
  FrameLog log{90000, true};
  std::int64_t at_ns = 1'000'000'000;
  std::uint32_t rtp_time = 0xfffff000;  // the time stamp wraps on the way
  void frame(bool key = false, std::uint32_t steps = 1, std::int64_t missing = 0, std::uint32_t octets = 1000) {
    rtp_time += 3600 * steps;
    at_ns += 40'000'000LL * steps;
    packet(rtp_time, missing, octets);
    key ? log.key() : log.picture();
  }
  void packet(std::uint32_t time, std::int64_t missing = 0, std::uint32_t octets = 1000) {
    PacketFacts facts;
    facts.rtp_time = time;
    facts.missing = missing;
    facts.at_ns = at_ns;
    facts.payload_octets = octets;
    facts.wire_octets = octets + 78;
    facts.marker = true;
    log.add(facts);
  }
};

double rate_of(const FrameLog& log) {
  const auto sums = log.frame_sums();
  return static_cast<double>(sums.count) * 90000 / static_cast<double>(sums.ticks);
}

}  // namespace

TEST_CASE("parameter sets with a time stamp of their own make no frame and belong to the key frame") {
  Feed feed;
  for (int i = 0; i < 100; ++i) {
    if (i % 25 == 0) feed.packet(feed.rtp_time + 1, 0, 50);  // SPS and PPS, stamped one tick after the frame before
    feed.frame(i % 25 == 0);
  }
  CHECK(feed.log.frames() == 100);
  CHECK(rate_of(feed.log) == Approx(25).epsilon(1e-12));
  const auto gops = feed.log.gop_sums();
  CHECK(gops.count == 3);
  CHECK(gops.frames == 75);
  // 25 frames of 1000 octets and the parameter sets of 50 in each GOP.
  CHECK(gops.payload_octets == 3 * 25'050);
  CHECK(feed.log.key_octets_max() == 1050);
}

TEST_CASE("a stretch ends, another begins: rates are sums over both and know nothing of the time between") {
  Feed feed;
  for (int i = 0; i < 60; ++i) feed.frame(i % 25 == 0);
  feed.log.end_stretch();
  feed.at_ns += 30'000'000'000;
  feed.rtp_time = 12345;
  for (int i = 0; i < 60; ++i) feed.frame(i % 25 == 0);
  CHECK(feed.log.frames() == 120);
  CHECK(rate_of(feed.log) == Approx(25).epsilon(1e-12));
  CHECK(feed.log.gop_sums().count == 4);
  CHECK(feed.log.gop_sums().frames == 100);
  CHECK(feed.log.gops().frames_min == 25);
  CHECK(feed.log.gops().frames_max == 25);
  CHECK(feed.log.metered_s() == Approx(2 * 59 * 0.04));
  CHECK(feed.log.time_jumps() == 0);
}

TEST_CASE("time stamps that jump by themselves end a stretch; a stalled connection does not") {
  Feed jumping, stalling;
  for (int i = 0; i < 50; ++i) jumping.frame(i % 25 == 0);
  jumping.rtp_time += 90000 * 3600;  // an hour
  for (int i = 0; i < 50; ++i) jumping.frame(i % 25 == 0);
  CHECK(jumping.log.time_jumps() == 1);
  CHECK(rate_of(jumping.log) == Approx(25).epsilon(1e-12));

  for (int i = 0; i < 50; ++i) stalling.frame();
  stalling.at_ns += 20'000'000'000;
  for (int i = 0; i < 500; ++i) {  // the queue comes at once
    stalling.frame();
    stalling.at_ns -= 39'000'000;
  }
  CHECK(stalling.log.time_jumps() == 0);
  CHECK(rate_of(stalling.log) == Approx(25).epsilon(1e-12));
}

TEST_CASE("frames out of display order are frames all the same") {
  // I P B B in the order they are sent: time stamps 0 3 1 2, then 6 4 5 (ITU-T H.264 §3, decoding order).
  Feed feed;
  const int order[] = {0, 3, 1, 2};
  for (int group = 0; group < 40; ++group)
    for (const int place : order) {
      if (group > 0 && place == 0) continue;
      feed.packet(9000 + static_cast<std::uint32_t>(group * 3 + place) * 3600);
      group % 10 == 0 && place == 3 ? feed.log.key() : feed.log.picture();
      feed.at_ns += 40'000'000;
    }
  CHECK(feed.log.frames() == 121);
  CHECK(feed.log.reorders());
  const auto gops = feed.log.gop_sums();
  CHECK(gops.count == 3);
  CHECK(gops.frames == 90);
  CHECK(gops.ticks == 90 * 3600);
}

TEST_CASE("frames that the unit leaves out are told from frames that the path lost") {
  Feed leaving, losing, slower;
  for (int i = 0; i < 200; ++i) {
    const std::uint32_t steps = i % 20 == 10 ? 2 : 1;
    leaving.frame(i % 50 == 0, steps);
    losing.frame(i % 50 == 0, steps, steps - 1);
    slower.frame(i % 50 == 0, i < 100 ? 1 : 2);  // another rate is nothing left out
  }
  CHECK(leaving.log.left_out_frames() == 10);
  CHECK(leaving.log.lost_frames() == 0);
  CHECK(losing.log.left_out_frames() == 0);
  CHECK(losing.log.lost_frames() == 10);
  CHECK(rate_of(losing.log) == Approx(25).epsilon(1e-12));
  CHECK(slower.log.left_out_frames() == 0);
  CHECK(losing.log.doubtful_frames() == 0);
  // A loss where the step is two frames and a half: how many were lost is a guess.
  losing.at_ns += 100'000'000;
  losing.packet(losing.rtp_time + 9000, 2);
  CHECK(losing.log.doubtful_frames() == 2);
}

TEST_CASE("a key frame that lacks a packet counts for the GOP, not for the size of key frames") {
  Feed feed;
  for (int i = 0; i < 75; ++i) feed.frame(i % 25 == 0, 1, i == 25 ? 3 : 0, i % 25 == 0 ? 5000 : 1000);
  CHECK(feed.log.keys() == 3);
  CHECK(feed.log.whole_keys() == 2);
  CHECK(feed.log.key_octets() == 10'000);
}
