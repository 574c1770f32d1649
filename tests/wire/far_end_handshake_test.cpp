#include "probes/wire/far_end_handshake.hpp"

#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::wire;
using tallywire::test::from_hex;
using nlohmann::json;

namespace {

const std::string key = "a key of both ends, long enough";
const std::vector<std::uint8_t> nonce_a(nonce_octets, 0xaa), nonce_b(nonce_octets, 0xbb);

json body_of(const std::string& frame) {
  const std::vector<std::uint8_t> octets(frame.begin(), frame.end());
  const auto parsed = parse_far_end_frame(octets);
  REQUIRE(parsed.what == FarEndFrame::What::frame);
  return parsed.body;
}

}  // namespace

TEST_CASE("HMAC-SHA-256 has the values of RFC 4231 §4.2 and §4.3") {
  const std::string hi = "Hi There";
  CHECK(hmac_sha256(std::string(20, '\x0b'), Octets(reinterpret_cast<const std::uint8_t*>(hi.data()), hi.size())) ==
        from_hex("b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"));
  const std::string what = "what do ya want for nothing?";
  CHECK(hmac_sha256("Jefe", Octets(reinterpret_cast<const std::uint8_t*>(what.data()), what.size())) ==
        from_hex("5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"));
}

TEST_CASE("both ends with the same key agree on the request, and the key never crosses") {
  const FarEndAsker asker(key, nonce_a, {{"do", "throughput"}});
  FarEndKeeper keeper(key, nonce_b);
  const auto challenge = keeper.challenge(body_of(asker.hello()));
  REQUIRE(challenge);
  const auto proof = asker.answer(body_of(*challenge), "192.0.2.10");
  REQUIRE(proof.has_value());
  const auto admitted = keeper.admit(body_of(*proof));
  REQUIRE(admitted);
  CHECK(admitted->at("do") == "throughput");
  for (const auto& frame : {asker.hello(), *challenge, *proof}) CHECK(frame.find(key) == std::string::npos);
  CHECK(FarEndAsker::read_verdict(body_of(far_end_accepted()), "").has_value());
  CHECK(FarEndAsker::read_verdict(body_of(far_end_accepted({{"udp_port", 862}})), "")->at("udp_port") == 862);
}

TEST_CASE("another key, an altered request and a replay are refused") {
  const FarEndAsker asker(key, nonce_a, {{"do", "throughput"}});
  FarEndKeeper other("another key of the same length..", nonce_b);
  const auto wrong = asker.answer(body_of(*other.challenge(body_of(asker.hello()))), "192.0.2.10");
  REQUIRE_FALSE(wrong.has_value());
  CHECK(wrong.error().kind == FaultKind::refused);
  FarEndKeeper keeper(key, nonce_b);
  const auto proof = body_of(*asker.answer(body_of(*keeper.challenge(body_of(asker.hello()))), ""));
  auto altered = proof;
  altered["request"] = "{\"do\":\"volume\"}";
  CHECK_FALSE(keeper.admit(altered));
  FarEndKeeper later(key, std::vector<std::uint8_t>(nonce_octets, 0xcc));
  later.challenge(body_of(asker.hello()));
  CHECK_FALSE(later.admit(proof));
}

TEST_CASE("frames that are cut, too long or no JSON are told apart") {
  const auto frame = far_end_accepted();
  const std::vector<std::uint8_t> octets(frame.begin(), frame.end());
  for (std::size_t length = 0; length < octets.size(); ++length)
    CHECK(parse_far_end_frame(Octets(octets).first(length)).what == FarEndFrame::What::need_more);
  CHECK(parse_far_end_frame(from_hex("00010000")).what == FarEndFrame::What::malformed);
  CHECK(parse_far_end_frame(from_hex("00000002 5b5d")).what == FarEndFrame::What::malformed);
  FarEndKeeper keeper(key, nonce_b);
  for (const auto& odd : {json::object(), json{{"say", "hello"}}, json{{"say", "hello"}, {"version", 1}, {"nonce", 5}}, json{{"say", 5}},
                          json{{"say", "hello"}, {"version", "1"}, {"nonce", std::string(64, 'a')}}, json{{"say", nullptr}}})
    CHECK_FALSE(keeper.challenge(odd));
  const FarEndAsker asker(key, nonce_a, {{"do", "throughput"}});
  for (const auto& odd : {json{{"say", 5}}, json{{"say", "challenge"}, {"version", "1"}}, json{{"say", "challenge"}, {"version", 1}, {"nonce", {}}}}) {
    CHECK_FALSE(asker.answer(odd, "").has_value());
    CHECK_FALSE(keeper.admit(odd));
  }
  for (const auto& odd : {json{{"say", 5}}, json{{"say", "refused"}, {"reason", 5}}, json{{"say", "accept"}}})
    CHECK_FALSE(FarEndAsker::read_verdict(odd, "").has_value());
}
