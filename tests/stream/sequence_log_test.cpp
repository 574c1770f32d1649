#include "probes/stream/sequence_log.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::stream;

namespace {

SequenceLog log_of(std::initializer_list<int> arrivals) {
  SequenceLog out;
  for (const int sequence : arrivals) out.add(static_cast<std::uint16_t>(sequence));
  return out;
}

}  // namespace

TEST_CASE("the first packet counts; losses are told over the wrap") {
  // The rows of check-values section 2 (RFC 3550 A.1, A.3), with the first packet counted.
  const auto wrap = log_of({65533, 65534, 65535, 0, 1, 3, 4, 6});
  CHECK(wrap.expected() == 10);
  CHECK(wrap.received() == 8);
  CHECK(wrap.lost() == 2);
}

TEST_CASE("duplicates and late packets are told apart and hide no loss") {
  const auto log = log_of({100, 101, 102, 103, 104, 106, 107, 105, 108, 108});
  CHECK(log.lost() == 0);
  CHECK(log.late() == 1);
  CHECK(log.duplicates() == 1);
  const auto lossy = log_of({1, 2, 2, 2, 4});
  CHECK(lossy.lost() == 1);
  CHECK(lossy.duplicates() == 2);
}

TEST_CASE("reordered packets by RFC 4737 §7") {
  // §7.1: only packet 4; §7.2: 5 and 6; §7.3: 4, 5 and 6.
  CHECK(log_of({1, 2, 3, 5, 6, 7, 8, 4, 9, 10}).late() == 1);
  CHECK(log_of({1, 2, 3, 4, 7, 5, 6, 8, 9, 10}).late() == 2);
  CHECK(log_of({1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11}).late() == 3);
  CHECK(log_of({1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11}).lost() == 0);
}

TEST_CASE("a jump restarts only when a second packet confirms it, and loses nothing of the past") {
  auto log = log_of({10, 11, 12, 5000});
  CHECK(log.expected() == 3);
  CHECK(log.add(5001) == SequenceLog::Came::restarted);
  CHECK(log.restarts() == 1);
  CHECK(log.lost() == 0);
  CHECK(log.add(5002) == SequenceLog::Came::in_order);
}

TEST_CASE("a packet that left before the first one seen is no loss") {
  const auto log = log_of({11, 10, 12});
  CHECK(log.expected() == 3);
  CHECK(log.lost() == 0);
  CHECK(log.late() == 1);
}
