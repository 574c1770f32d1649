#include "probes/wire/stamp.hpp"

#include "tests/support/cuts.hpp"
#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

#include <cmath>

using namespace tallywire::wire;
using tallywire::test::for_each_cut;
using tallywire::test::from_hex;

namespace {

constexpr auto plain = StampMode::unauthenticated, keyed = StampMode::authenticated;
constexpr std::int64_t instant_ns = 1'767'323'045'500'000'000;  // 2026-01-02T03:04:05.5Z
constexpr std::uint64_t instant_ntp = 0xed01b425'80000000;      // RFC 5905 Fig. 4, computed
const StampErrorEstimate estimate_9405 = decode_error_estimate(0x9405);
const std::string key = "0123456789abcdef0123456789abcdef";

StampRequest request_7() { return {7, instant_ntp, estimate_9405, 0}; }

StampAnswer answer_3() { return {3, 0xed01b425'80c00000, estimate_9405, 0, 0xed01b425'80800000, 7, instant_ntp, 0x9405, 255}; }

// RFC 8762 §4.2.1, §4.3.1, values computed from the rule.
const auto request_octets = from_hex("00000007 ed01b425 80000000 9405 0000 00000000 00000000 00000000 00000000 00000000 00000000 00000000");
const auto answer_octets =
    from_hex("00000003 ed01b425 80c00000 9405 0000 ed01b425 80800000 00000007 ed01b425 80000000 9405 0000 ff000000");

}  // namespace

TEST_CASE("a request is 44 octets, laid out as RFC 8762 §4.2.1 says") {
  REQUIRE(request_octets.size() == 44);
  CHECK(encode_stamp_request(request_7(), plain, "", 0) == request_octets);
  StampRequest back;
  REQUIRE(decode_stamp_request(request_octets, plain, "", back) == StampRead::read);
  CHECK(back == request_7());
}

TEST_CASE("an answer is 44 octets, laid out as RFC 8762 §4.3.1 says") {
  REQUIRE(answer_octets.size() == 44);
  CHECK(encode_stamp_answer(answer_3(), plain, "", request_octets) == answer_octets);
  StampAnswer back;
  REQUIRE(decode_stamp_answer(answer_octets, plain, "", back) == StampRead::read);
  CHECK(back == answer_3());
}

TEST_CASE("the delays of the worked exchange come out of its times") {
  StampAnswer a;
  REQUIRE(decode_stamp_answer(answer_octets, plain, "", a) == StampRead::read);
  const auto t1 = unix_ns_of(a.sender_timestamp, StampTimeFormat::ntp, instant_ns);
  const auto t2 = unix_ns_of(a.receive_timestamp, StampTimeFormat::ntp, instant_ns);
  const auto t3 = unix_ns_of(a.timestamp, StampTimeFormat::ntp, instant_ns);
  const auto t4 = t1 + 8'000'000;
  // 7.0234375 ms there and back, 1.953125 ms out, 5.0703125 ms back (arithmetic); a nanosecond is what we reckon in.
  CHECK(std::abs(static_cast<double>(t4 - t1 - (t3 - t2)) - 7'023'437.5) < 1);
  CHECK(t2 - t1 == 1'953'125);
  CHECK(std::abs(static_cast<double>(t4 - t3) - 5'070'312.5) < 1);
}

TEST_CASE("authenticated packets are 112 octets with the fields of RFC 8762 §4.2.2 and §4.3.2 (offsets from memory)") {
  auto request = request_7();
  request.session_id = 0x1234;
  const auto sent = encode_stamp_request(request, keyed, key, 0);
  REQUIRE(sent.size() == 112);
  // The sum by Python's hmac: HMAC-SHA-256 over octets 0 to 95, its first 16 octets (RFC 8762 §4.4).
  auto expected = from_hex("00000007 000000000000000000000000 ed01b42580000000 9405 1234");
  expected.resize(96, 0);
  const auto sum = from_hex("502640ddb98c1a95eae86c7cf639e015");
  expected.insert(expected.end(), sum.begin(), sum.end());
  CHECK(sent == expected);
  StampRequest request_back;
  REQUIRE(decode_stamp_request(sent, keyed, key, request_back) == StampRead::read);
  CHECK(request_back == request);

  auto answer = answer_3();
  answer.session_id = 0x1234;
  const auto reflected = encode_stamp_answer(answer, keyed, key, sent);
  CHECK(reflected == from_hex("00000003000000000000000000000000ed01b42580c000009405123400000000ed01b425808000000000000000000000"
      "00000007000000000000000000000000ed01b425800000009405000000000000ff000000000000000000000000000000"
      "86358f36933858c10170c9509bfeee32"));
  StampAnswer answer_back;
  REQUIRE(decode_stamp_answer(reflected, keyed, key, answer_back) == StampRead::read);
  CHECK(answer_back == answer);
}

TEST_CASE("one octet changed under the sum, or another key, is a wrong HMAC; what follows the sum is not covered") {
  auto octets = encode_stamp_request(request_7(), keyed, key, 200);
  StampRequest out;
  for (const std::size_t at : {0u, 15u, 16u, 26u, 95u, 96u, 111u}) {
    octets[at] ^= 1;
    CHECK(decode_stamp_request(octets, keyed, key, out) == StampRead::wrong_hmac);
    octets[at] ^= 1;
  }
  CHECK(decode_stamp_request(octets, keyed, "another key of thirty-two octets", out) == StampRead::wrong_hmac);
  octets[150] ^= 1;
  CHECK(decode_stamp_request(octets, keyed, key, out) == StampRead::read);
}

TEST_CASE("sizes are symmetric (RFC 8762 §4.6): longer requests get their own size and octets, shorter ones 44") {
  auto longer = encode_stamp_request(request_7(), plain, "", 100);
  REQUIRE(longer.size() == 100);
  longer[99] = 0x5a;
  const auto answer = encode_stamp_answer(answer_3(), plain, "", longer);
  REQUIRE(answer.size() == 100);
  CHECK(std::vector<std::uint8_t>(answer.begin(), answer.begin() + 44) == answer_octets);
  CHECK(std::vector<std::uint8_t>(answer.begin() + 44, answer.end()) == std::vector<std::uint8_t>(longer.begin() + 44, longer.end()));

  const std::vector<std::uint8_t> shortest(request_octets.begin(), request_octets.begin() + 14);  // TWAMP's, RFC 4656 §4.1.2
  StampRequest out;
  REQUIRE(decode_stamp_request(shortest, plain, "", out) == StampRead::read);
  CHECK(out == request_7());
  CHECK(encode_stamp_answer(answer_3(), plain, "", shortest) == answer_octets);
  // TWAMP's sender adds 27 octets so that its 41 octets of answer are as long (RFC 5357 §4.1.2).
  const std::vector<std::uint8_t> padded(request_octets.begin(), request_octets.begin() + 41);
  CHECK(encode_stamp_answer(answer_3(), plain, "", padded).size() == 44);
}

TEST_CASE("a longer request is filled by an Extra Padding TLV with the U flag set (RFC 8972 §4, §4.1)") {
  const auto octets = encode_stamp_request(request_7(), plain, "", 60);
  REQUIRE(octets.size() == 60);
  CHECK(std::vector<std::uint8_t>(octets.begin() + 44, octets.begin() + 48) == from_hex("80 01 000c"));
  CHECK(encode_stamp_request(request_7(), plain, "", 45).size() == 48);
  CHECK(encode_stamp_request(request_7(), plain, "", 1 << 20).size() == largest_stamp_octets);
}

TEST_CASE("the session stands in octets 14 and 15 (RFC 8972 §3)") {
  auto octets = request_octets;
  octets[14] = 0xbe;
  octets[15] = 0xef;
  StampRequest request;
  REQUIRE(decode_stamp_request(octets, plain, "", request) == StampRead::read);
  CHECK(request.session_id == 0xbeef);
  auto answer = answer_octets;
  answer[14] = 0xbe;
  answer[15] = 0xef;
  StampAnswer back;
  REQUIRE(decode_stamp_answer(answer, plain, "", back) == StampRead::read);
  CHECK(back.session_id == 0xbeef);
}

TEST_CASE("the error estimate is multiplier · 2^(scale − 32) s (RFC 4656 §4.1.2), with Z for the format (RFC 8762 §4.2.1)") {
  CHECK(estimate_9405 == StampErrorEstimate{true, StampTimeFormat::ntp, 0x14, 5});
  CHECK(estimate_9405.seconds() == 0.001220703125);
  const auto ptp = decode_error_estimate(0xd40a);
  CHECK(ptp == StampErrorEstimate{true, StampTimeFormat::ptp, 0x14, 10});
  CHECK(ptp.seconds() == 0.00244140625);
  CHECK(decode_error_estimate(0x8001).seconds() == 1.0 / 4294967296.0);
  for (int octets = 0; octets < 65'536; ++octets)
    if (encode_error_estimate(decode_error_estimate(static_cast<std::uint16_t>(octets))) != octets) FAIL("not the same: " << octets);
}

TEST_CASE("an estimate is never below what it tells, nor more than a 128th above it") {
  for (const double seconds : {0.0, 1e-9, 1.22e-3, 0.5, 16.0, 16.5, 3600.0}) {
    const auto told = error_estimate_of(seconds, true);
    CHECK(told.multiplier > 0);
    CHECK(told.seconds() >= seconds);
    CHECK(told.seconds() <= std::max(seconds * (1 + 1.0 / 127), 1.0 / 4294967296.0 * 255));
  }
  CHECK(error_estimate_of(1e300, false) == StampErrorEstimate{false, StampTimeFormat::ntp, 63, 255});
}

TEST_CASE("a multiplier of 0 is to be discarded (RFC 4656 §4.1.2), and so is a time of too many nanoseconds") {
  auto octets = request_octets;
  octets[13] = 0;
  StampRequest request;
  CHECK(decode_stamp_request(octets, plain, "", request) == StampRead::no_error_estimate);
  octets = from_hex("00000007 695735a5 3b9aca00 d40a");  // 10^9 ns
  CHECK(decode_stamp_request(octets, plain, "", request) == StampRead::no_error_estimate);
  auto answer = answer_octets;
  answer[13] = 0;
  StampAnswer out;
  CHECK(decode_stamp_answer(answer, plain, "", out) == StampRead::no_error_estimate);
}

TEST_CASE("time stamps are NTP's 32.32 bits or PTP's seconds and nanoseconds") {
  CHECK(stamp_time_of(0, StampTimeFormat::ntp) >> 32 == 2'208'988'800);                            // RFC 5905 Fig. 4
  CHECK(stamp_time_of(946'598'400'000'000'000, StampTimeFormat::ntp) >> 32 == 3'155'587'200);      // 1999-12-31, same
  CHECK(stamp_time_of(instant_ns, StampTimeFormat::ntp) == instant_ntp);
  CHECK(stamp_time_of(instant_ns, StampTimeFormat::ptp) == 0x695735a5'1dcd6500);                   // layout from memory, computed
  for (const auto format : {StampTimeFormat::ntp, StampTimeFormat::ptp})
    for (const std::int64_t ns : {0LL, 1LL, 999'999'999LL, 123'456'789LL, 500'000'000LL})
      CHECK(unix_ns_of(stamp_time_of(instant_ns + ns, format), format, instant_ns) == instant_ns + ns);
}

TEST_CASE("NTP's seconds wrap on 2036-02-07T06:28:16Z (RFC 5905 Fig. 4), and times on both sides come out right") {
  constexpr std::int64_t wrap_ns = 2'085'978'496'000'000'000;
  CHECK(stamp_time_of(wrap_ns - 1'000'000'000, StampTimeFormat::ntp) == 0xffffffff'00000000);
  CHECK(stamp_time_of(wrap_ns, StampTimeFormat::ntp) == 0);
  CHECK(unix_ns_of(0xffffffff'80000000, StampTimeFormat::ntp, wrap_ns) == wrap_ns - 500'000'000);
  CHECK(unix_ns_of(0x00000000'80000000, StampTimeFormat::ntp, wrap_ns - 1) == wrap_ns + 500'000'000);
  CHECK(unix_ns_of(instant_ntp, StampTimeFormat::ntp, wrap_ns + 1) == instant_ns);
}

TEST_CASE("every beginning of a packet is refused or read, never more than is there") {
  const auto request = encode_stamp_request(request_7(), keyed, key, 0);
  for_each_cut(request, [](const std::vector<std::uint8_t>& cut) {
    StampRequest out;
    CHECK(decode_stamp_request(cut, keyed, key, out) == StampRead::wrong_length);
    CHECK((decode_stamp_request(cut, plain, "", out) != StampRead::wrong_length) == (cut.size() >= 14));
  });
  for_each_cut(answer_octets, [](const std::vector<std::uint8_t>& cut) {
    StampAnswer out;
    CHECK(decode_stamp_answer(cut, plain, "", out) == StampRead::wrong_length);
  });
  StampRequest out;
  CHECK(decode_stamp_request(std::vector<std::uint8_t>(largest_stamp_octets + 1), plain, "", out) == StampRead::wrong_length);
}
