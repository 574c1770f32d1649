#include "probes/path/delay_order.hpp"
#include "probes/path/delay_spread.hpp"

#include <catch2/catch.hpp>

#include <algorithm>
#include <map>
#include <numeric>
#include <random>

using namespace tallywire::path;

namespace {

std::vector<Arrived> at_each_ms(const std::vector<std::uint32_t>& numbers) {
  std::vector<Arrived> out;
  for (const auto n : numbers) out.push_back({n, static_cast<std::int64_t>(out.size()) * 1'000'000});
  return out;
}

using Sizes = std::vector<std::size_t>;

std::map<std::uint32_t, std::pair<std::size_t, std::size_t>> extents_and_n(const Order& order) {
  std::map<std::uint32_t, std::pair<std::size_t, std::size_t>> out;
  for (const auto& r : order.reordered) out[r.number] = {r.extent, r.n};
  return out;
}

using Expected = std::map<std::uint32_t, std::pair<std::size_t, std::size_t>>;

}  // namespace

TEST_CASE("RFC 4737 §7.1: packet 4 is reordered, extent 4, 4-reordered, 62 ms late") {
  auto arrivals = at_each_ms({1, 2, 3, 5, 6, 7, 8, 4, 9, 10});
  // The times of its table at the destination: packet 5 at 148, packet 4 at 210 ms.
  arrivals[3].at_ns = 148'000'000;
  arrivals[7].at_ns = 210'000'000;
  const auto order = order_of(arrivals);
  CHECK(order.packets == 10);
  CHECK(extents_and_n(order) == Expected{{4, {4, 4}}});
  CHECK(order.reordered[0].late_ns == 62'000'000);
}

TEST_CASE("RFC 4737 §7.2: 5 is 1-reordered with extent 1, 6 has extent 2 and is not n-reordered; late by 1 and 2 ms") {
  const auto order = order_of(at_each_ms({1, 2, 3, 4, 7, 5, 6, 8, 9, 10}));
  CHECK(extents_and_n(order) == Expected{{5, {1, 1}}, {6, {2, 0}}});
  CHECK(order.reordered[0].late_ns == 1'000'000);
  CHECK(order.reordered[1].late_ns == 2'000'000);
}

TEST_CASE("RFC 4737 §7.3: 4, 5 and 6 with extents 4, 5 and 6, and only 4 is 4-reordered") {
  CHECK(extents_and_n(order_of(at_each_ms({1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11}))) == Expected{{4, {4, 4}}, {5, {5, 0}}, {6, {6, 0}}});
}

TEST_CASE("RFC 4737 §7.4: extents 2, 3 and 2, a gap of 7 and runs of 5, 0 and 5") {
  const auto order = order_of(at_each_ms({1, 2, 3, 6, 7, 4, 5, 8, 9, 10, 12, 13, 11, 14, 15, 16}));
  CHECK(extents_and_n(order) == Expected{{4, {2, 2}}, {5, {3, 0}}, {11, {2, 2}}});
  CHECK(order.gaps == Sizes{7});
  CHECK(order.runs == Sizes{5, 0, 5});
}

TEST_CASE("order as RFC 4737 defines it word by word gives the same, over shuffled packets") {
  std::mt19937 random(1);
  for (int round = 0; round < 300; ++round) {
    std::vector<std::uint32_t> numbers(1 + random() % 60);
    std::iota(numbers.begin(), numbers.end(), random() % 5);
    for (std::size_t i = 0; i + 1 < numbers.size(); ++i)
      if (random() % 3 == 0) std::swap(numbers[i], numbers[std::min(numbers.size() - 1, i + random() % 9)]);
    const auto order = order_of(at_each_ms(numbers));
    Expected expected;
    std::uint32_t next_expected = 0;
    for (std::size_t i = 0; i < numbers.size(); ++i) {
      if (numbers[i] >= next_expected) {  // §3.3
        next_expected = numbers[i] + 1;
        continue;
      }
      std::size_t first = 0, n = 0;
      while (numbers[first] < numbers[i]) ++first;                       // §4.2.1
      while (n < i && numbers[i - n - 1] > numbers[i]) ++n;             // §5.2
      expected[numbers[i]] = {i - first, n};
    }
    CHECK(extents_and_n(order) == expected);
  }
}

TEST_CASE("RFC 3357 §5.4.3, §6.5: of ten packets 2, 5, 7, 9 and 10 are lost") {
  std::vector<bool> lost(11, false);
  for (const auto n : {2, 5, 7, 9, 10}) lost[static_cast<std::size_t>(n)] = true;  // its numbers begin at 1
  const auto pattern = loss_pattern_of(lost);
  CHECK(pattern.lost == 5);
  CHECK(pattern.distances == Sizes{0, 3, 2, 2, 1});
  REQUIRE(pattern.periods.size() == 4);
  Sizes lengths, spaced;
  for (const auto& p : pattern.periods) {
    lengths.push_back(p.packets);
    spaced.push_back(p.distance);
  }
  CHECK(lengths == Sizes{1, 1, 1, 2});
  CHECK(spaced == Sizes{0, 3, 2, 2});
  CHECK(pattern.noticeable_ratio(2) == 0.6);  // 3/5
}

TEST_CASE("RFC 3357 §4: r r r x r r x x x r x r r x x x has four loss periods, beginning at 3, 6, 10 and 13") {
  std::vector<bool> lost;
  for (const char c : std::string("rrrxrrxxxrxrrxxx")) lost.push_back(c == 'x');
  Sizes first;
  for (const auto& p : loss_pattern_of(lost).periods) first.push_back(p.first);
  CHECK(first == Sizes{3, 6, 10, 13});
}

TEST_CASE("nothing lost, nothing sent") {
  CHECK(loss_pattern_of({}).noticeable_ratio(2) == 0);
  CHECK(loss_pattern_of({false, false}).periods.empty());
  CHECK(order_of({}).packets == 0);
}

TEST_CASE("percentiles are those of RFC 2330 §11.3") {
  // Its example: -2, 7, 7, 4, 18, -5; the 50th is 4, the 25th -2, the 75th 7, the 100th 18, and the 0th is none.
  std::vector<double> values = {-2, 7, 7, 4, 18, -5};
  std::sort(values.begin(), values.end());
  CHECK(percentile_of(values, 0.5) == 4);
  CHECK(percentile_of(values, 0.25) == -2);
  CHECK(percentile_of(values, 0.75) == 7);
  CHECK(percentile_of(values, 1) == 18);
}

TEST_CASE("a percentile that the numbers are too few for is none") {
  const auto of = [](std::size_t count) {
    std::vector<double> values(count);
    std::iota(values.begin(), values.end(), 1);
    return spread_of(values);
  };
  CHECK_FALSE(of(0).min.has_value());
  CHECK(of(1).median == 1.0);
  CHECK_FALSE(of(19).p95.has_value());
  CHECK(of(20).p95 == 19.0);
  CHECK_FALSE(of(99).p99.has_value());
  CHECK(of(100).p99 == 99.0);
  CHECK_FALSE(of(999).p999.has_value());
  CHECK(of(1000).p999 == 999.0);
  CHECK(of(1000).max == 1000.0);
}
