#include "probes/wire/stamp_session.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::wire;

namespace {

constexpr std::int64_t begin_unix_ns = 1'767'323'045'500'000'000, ms = 1'000'000;
const StampErrorEstimate estimate = decode_error_estimate(0x1405);

struct Ends {
  explicit Ends(bool stateful, std::uint32_t most = 100) : log({StampMode::unauthenticated, "", 9, 44, most}) {
    reflection = StampReflection({StampMode::unauthenticated, "", stateful, 9, most});
  }
  std::vector<std::uint8_t> send() {
    const auto at = static_cast<std::int64_t>(log.sent().size()) * 20 * ms;
    return log.next(begin_unix_ns + at, at, estimate).value();
  }
  std::vector<std::uint8_t> reflect(const std::vector<std::uint8_t>& request) {
    return reflection.answer(request, begin_unix_ns + 5 * ms, 250, begin_unix_ns + 6 * ms, estimate).value();
  }
  StampLog::Took come(const std::vector<std::uint8_t>& answer) { return log.take(answer, begin_unix_ns + 9 * ms, 9 * ms, 249); }

  StampLog log;
  StampReflection reflection{{}};
};

}  // namespace

TEST_CASE("a stateful reflector counts its answers, a stateless one repeats the sender's number (RFC 8762 §4.3)") {
  for (const bool stateful : {true, false}) {
    Ends ends(stateful);
    ends.send();
    ends.send();
    const auto third = ends.send();
    REQUIRE(ends.come(ends.reflect(third)) == StampLog::Took::answer);
    const auto& got = ends.log.arrivals().at(0);
    CHECK(got.sequence_number == 2);
    CHECK(got.reflector_sequence_number == (stateful ? 0u : 2u));
    CHECK(got.reflector_received_unix_ns == begin_unix_ns + 5 * ms);
    CHECK(got.reflector_sent_unix_ns == begin_unix_ns + 6 * ms);
    CHECK(got.received_ns == 9 * ms);
    CHECK(got.sender_ttl == 250);
    CHECK(got.ttl == 249);
  }
}

TEST_CASE("packets doubled on the way out are told by the reflector, answers doubled on the way back by the log") {
  Ends ends(true);
  const auto request = ends.send();
  const auto first = ends.reflect(request), second = ends.reflect(request);
  CHECK(ends.reflection.received_packets() == 1);
  CHECK(ends.reflection.duplicate_packets() == 1);
  CHECK(ends.reflection.reflected_packets() == 2);
  CHECK(ends.come(first) == StampLog::Took::answer);
  CHECK(ends.come(first) == StampLog::Took::duplicate);
  CHECK(ends.come(second) == StampLog::Took::duplicate);
  CHECK(ends.log.answered_packets() == 1);
  REQUIRE(ends.log.arrivals().size() == 3);
  CHECK(ends.log.arrivals()[0].first);
  CHECK_FALSE(ends.log.arrivals()[1].first);
  CHECK(ends.log.arrivals()[2].reflector_sequence_number == 1);
}

TEST_CASE("an answer to what was never sent, with another time or of another session is a stray") {
  Ends ends(true);
  auto answer = ends.reflect(ends.send());
  auto other = answer;
  other[27] = 1;  // a number that was not sent
  CHECK(ends.come(other) == StampLog::Took::ignored);
  other = answer;
  other[35] ^= 1;  // a time that was not sent
  CHECK(ends.come(other) == StampLog::Took::ignored);
  other = answer;
  other[15] = 8;
  CHECK(ends.come(other) == StampLog::Took::ignored);
  CHECK(ends.log.ignored().stray_packets == 3);
  answer[15] = 0;  // RFC 8972 §3: a reflector without sessions
  CHECK(ends.come(answer) == StampLog::Took::answer);
}

TEST_CASE("the reflector answers its own session and numbers only, and no more than its rate") {
  StampReflection reflection({StampMode::unauthenticated, "", false, 9, 10, 2});
  const auto ask = [&](std::uint32_t number, std::uint16_t session, std::int64_t at_ms) {
    const auto packet = encode_stamp_request({number, 1, estimate, session}, StampMode::unauthenticated, "", 0);
    return reflection.answer(packet, begin_unix_ns, 255, begin_unix_ns + at_ms * ms, estimate).has_value();
  };
  CHECK(ask(0, 9, 0));
  CHECK_FALSE(ask(1, 8, 0));
  CHECK_FALSE(ask(10, 9, 0));
  CHECK(ask(9, 9, 500));
  CHECK_FALSE(ask(2, 9, 999));
  CHECK(ask(2, 9, 1000));
  CHECK(reflection.ignored().stray_packets == 2);
  CHECK(reflection.ignored().over_rate_packets == 1);
  CHECK(reflection.received_packets() == 3);
}

TEST_CASE("the log sends no more than its ceiling, keeps no more than four answers a packet, and takes what the kernel saw leave") {
  Ends ends(true, 2);
  const auto answer = ends.reflect(ends.send());
  ends.send();
  CHECK_FALSE(ends.log.next(begin_unix_ns, 0, estimate).has_value());
  for (int i = 0; i < 20; ++i) ends.come(answer);
  CHECK(ends.log.arrivals().size() == 2 * StampLog::most_arrivals_per_packet);
  ends.log.left(1, 7000);
  ends.log.left(1, 9000);  // once
  ends.log.left(5, 1);
  ends.log.left(0, -1);
  CHECK(ends.log.sent()[1].sent_ns == 20 * ms + 7000);
  CHECK(ends.log.sent()[0].lag_ns == -1);
}
