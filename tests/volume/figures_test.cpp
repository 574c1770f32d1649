// Percentiles are held against the sorted list of the same numbers (nearest rank, as ISO 3534 and every textbook give it); the knee
// against courses whose place is known by construction.
#include "probes/volume/latencies.hpp"
#include "probes/volume/memory_limits.hpp"
#include "probes/volume/rate_course.hpp"
#include "probes/volume/stream_file.hpp"
#include "probes/volume/stream_pace.hpp"

#include <catch2/catch.hpp>

#include <algorithm>
#include <cmath>
#include <random>

using namespace tallywire::volume;
using namespace std::chrono_literals;

namespace {

constexpr double mb = 1e6, mib = 1 << 20;

// Chunks written one after the other, each as long as `seconds_for` says for the octets before it; answers the end.
template <class F>
double write(RateCourse& course, double octets, double now_s, F seconds_for) {
  const double begin = course.octets();
  while (course.octets() - begin < octets) {
    const double took = seconds_for(course.octets());
    course.add(now_s, now_s + took, mib);
    now_s += took;
  }
  return now_s;
}

auto at_rate(double bytes_per_s) {
  return [=](double) { return mib / bytes_per_s; };
}

}  // namespace

TEST_CASE("percentiles are those of the sorted list, at most 3.2 % too high") {
  std::mt19937_64 random(7);
  std::lognormal_distribution<double> spread(std::log(2e6), 2.0);  // around 2 ms, some of them seconds
  Latencies all, first, second;
  std::vector<double> sorted;
  for (int i = 0; i < 50'000; ++i) {
    const std::chrono::nanoseconds took(static_cast<std::int64_t>(spread(random)));
    all.add(took);
    (i % 2 == 0 ? first : second).add(took);
    sorted.push_back(static_cast<double>(took.count()) / 1e6);
  }
  std::sort(sorted.begin(), sorted.end());
  first.add_all(second);
  for (const double share : {0.5, 0.95, 0.99, 0.999}) {
    const double exact = sorted[static_cast<std::size_t>(std::ceil(share * 50'000)) - 1];
    CHECK(*all.percentile_ms(share) >= exact);
    CHECK(*all.percentile_ms(share) <= exact * 1.032 + 0.002);
    CHECK(*first.percentile_ms(share) == *all.percentile_ms(share));
  }
  CHECK(*all.longest_ms() == sorted.back());
  CHECK(*all.percentile_ms(1) == sorted.back());
  CHECK_FALSE(Latencies().percentile_ms(0.5).has_value());
}

TEST_CASE("a knee is found where the rate falls for good, in bounded memory") {
  for (const double place_mb : {300.0, 3'000.0, 60'000.0}) {
    RateCourse course;
    const double fell_s = write(course, place_mb * mb, 0, at_rate(400 * mb));
    const double place = course.octets();
    write(course, place_mb * mb, fell_s, at_rate(60 * mb));
    const auto knee = course.knee();
    REQUIRE(knee.has_value());
    CHECK(knee->at_bytes == Approx(place).epsilon(0.01));
    CHECK(knee->before_bytes_per_s == Approx(400 * mb).epsilon(0.01));
    CHECK(knee->after_bytes_per_s == Approx(60 * mb).epsilon(0.01));
    CHECK(knee->at_s == Approx(fell_s).epsilon(0.01));
  }
}

TEST_CASE("a knee is found among bursts of a tenth of a second") {
  // The kernel's throttle lets a slice of 100 ms through at once and then waits (Linux, blk-throttle: throtl_slice).
  RateCourse course;
  double now_s = 0;
  const auto bursts = [&](double bytes_per_s, int chunks) {
    for (int i = 0; i < chunks; ++i) {
      const bool waits = i % 4 == 3;
      course.add(now_s, now_s + (waits ? 4 * mib / bytes_per_s : 0.0001), mib);
      now_s += waits ? 4 * mib / bytes_per_s : 0.0001;
    }
  };
  bursts(40 * mb, 120);
  bursts(10 * mb, 60);
  REQUIRE(course.knee().has_value());
  CHECK(course.knee()->at_bytes == Approx(120 * mib).epsilon(0.05));
}

TEST_CASE("two falls: the last one counts") {
  RateCourse course;
  double now_s = write(course, 2'000 * mb, 0, at_rate(1000 * mb));
  now_s = write(course, 3'000 * mb, now_s, at_rate(300 * mb));
  const double place = course.octets();
  write(course, 3'000 * mb, now_s, at_rate(80 * mb));
  REQUIRE(course.knee().has_value());
  CHECK(course.knee()->at_bytes == Approx(place).epsilon(0.02));
  CHECK(course.knee()->after_bytes_per_s == Approx(80 * mb).epsilon(0.02));
}

TEST_CASE("neither noise nor one pause nor a rise is a knee") {
  std::mt19937_64 random(3);
  std::lognormal_distribution<double> noise(0, 0.5);
  RateCourse noisy, paused, risen;
  write(noisy, 3'000 * mb, 0, [&](double) { return mib / (200 * mb) * noise(random); });
  CHECK_FALSE(noisy.knee().has_value());
  write(paused, 3'000 * mb, 0, [&](double octets) { return mib / (200 * mb) + (std::abs(octets - 1'500 * mib) < 1 ? 8.0 : 0.0); });
  CHECK_FALSE(paused.knee().has_value());
  write(risen, 1'000 * mb, write(risen, 300 * mb, 0, at_rate(50 * mb)), at_rate(300 * mb));
  CHECK_FALSE(risen.knee().has_value());
}

TEST_CASE("a rate settles when the halves of its last third agree and no knee lies there") {
  RateCourse even, falling;
  const double even_s = write(even, 3'000 * mb, 0, at_rate(100 * mb));
  CHECK(even.settled(even_s));
  CHECK_FALSE(even.settled(9));
  const double falls_s = write(falling, 2'000 * mb, 0, at_rate(100 * mb));
  const double end_s = write(falling, 100 * mb, falls_s, at_rate(30 * mb));
  CHECK_FALSE(falling.settled(end_s));
}

TEST_CASE("the slowest second counts what spans seconds for each of them") {
  RateCourse course;
  course.add(0.0, 1.0, 10 * mb);
  course.add(1.0, 4.0, 3 * mb);   // three seconds for one write
  course.add(4.0, 5.0, 10 * mb);
  course.add(5.0, 5.3, 0.1 * mb);
  CHECK(*course.slowest_second_bytes_per_s(5.3) == Approx(1 * mb));
  CHECK(course.octets_between(1, 4) == Approx(3 * mb));
  CHECK_FALSE(course.slowest_second_bytes_per_s(0.9).has_value());
}

TEST_CASE("a stream's chunks are due as its octets arrive") {
  const StreamPace pace(500'000, 1'000'000, 250'000);  // 4 Mbit/s; a quarter of a chunk is there at the begin
  CHECK(pace.due_s(0) == Approx(1.5));
  CHECK(pace.due_s(1) == Approx(3.5));
  CHECK(pace.waiting_bytes(1.4, 0) == 0);
  CHECK(pace.waiting_bytes(1.6, 0) == 1'000'000);
  CHECK(pace.waiting_bytes(10, 1) == 4'000'000);  // 5.25 MB have arrived: five whole chunks
  CHECK(pace.waiting_bytes(10, 5) == 0);
}

TEST_CASE("the room is shared so that each stream has two files and no more than its share") {
  for (const unsigned streams : {1U, 4U, 40U, 1024U})
    for (const double room : {2e9, 60e9, 48e12}) {
      const auto plan = plan_files(room, streams, 1 << 20);
      if (room / streams < 2 * mib) {
        CHECK_FALSE(plan.has_value());
        continue;
      }
      REQUIRE(plan.has_value());
      CHECK(plan->files_each >= 2);
      CHECK(plan->file_bytes % (1 << 20) == 0);
      CHECK(static_cast<double>(plan->file_bytes) * plan->files_each * streams <= room);
    }
  CHECK_FALSE(plan_files(-5, 1, 4096).has_value());
}

TEST_CASE("how much may lie in memory is what the kernel says") {
  // proc(5), and Linux Documentation/admin-guide/sysctl/vm: dirty_bytes rules when it is not 0.
  const auto* meminfo = "MemTotal:       24684092 kB\nMemFree:        23745600 kB\nMemAvailable:   24055100 kB\n";
  CHECK(*parse_memory(meminfo, "MemTotal") == 24684092.0 * 1024);
  CHECK_FALSE(parse_memory(meminfo, "Mem").has_value());
  CHECK(*dirty_limit_bytes(meminfo, "0\n", "20\n") == Approx(24055100.0 * 1024 / 5));
  CHECK(*dirty_limit_bytes(meminfo, "268435456\n", "0\n") == 268435456.0);
  CHECK_FALSE(dirty_limit_bytes("", "0", "20").has_value());
  CHECK_FALSE(dirty_limit_bytes("MemAvailable: many\n", "", "").has_value());
}
