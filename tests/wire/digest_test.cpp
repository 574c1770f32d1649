#include "probes/wire/digest.hpp"

#include "probes/wire/base64.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::wire;

namespace {

Challenge challenge(const char* realm, const char* nonce, bool qop, DigestAlgorithm algorithm = DigestAlgorithm::md5) {
  Challenge out;
  out.realm = realm;
  out.nonce = nonce;
  out.qop_auth = qop;
  out.algorithm = algorithm;
  return out;
}

}  // namespace

TEST_CASE("Base64 has the values of RFC 4648 §10") {
  const char* plain[] = {"", "f", "fo", "foo", "foob", "fooba", "foobar"};
  const char* coded[] = {"", "Zg==", "Zm8=", "Zm9v", "Zm9vYg==", "Zm9vYmE=", "Zm9vYmFy"};
  for (int i = 0; i < 7; ++i) {
    CHECK(encode_base64(std::string_view(plain[i])) == coded[i]);
    const auto back = decode_base64(coded[i]);
    REQUIRE(back);
    CHECK(std::string(back->begin(), back->end()) == plain[i]);
  }
  CHECK_FALSE(decode_base64("Zg=!"));
  CHECK_FALSE(decode_base64("Z"));
}

TEST_CASE("Basic has the values of RFC 7617 §2 and §2.1") {
  Challenge basic;
  basic.scheme = Challenge::Scheme::basic;
  CHECK(authorization(basic, {"Aladdin", "open sesame"}, {}) == "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==");
  CHECK(authorization(basic, {"test", "123£"}, {}) == "Basic dGVzdDoxMjPCow==");
}

TEST_CASE("Digest MD5 has the values of RFC 2617 §3.5, and without qop of §3.2.2.1") {
  const Credentials login{"Mufasa", "Circle Of Life"};
  const char* nonce = "dcd98b7102dd2f0e8b11d0f600bfb0c093";
  const DigestInput input{"GET", "/dir/index.html", "0a4f113b", 1};
  CHECK(digest_response(challenge("testrealm@host.com", nonce, true), login, input) == "6629fae49393a05397450978507c4ef1");
  // Check-values section 3 (computed by the same rule).
  CHECK(digest_response(challenge("testrealm@host.com", nonce, false), login, input) == "670fd8c2df070c60b045671b8b24ff02");
}

TEST_CASE("Digest MD5 and SHA-256 have the values of RFC 7616 §3.9.1") {
  const Credentials login{"Mufasa", "Circle of Life"};
  const char* nonce = "7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v";
  const DigestInput input{"GET", "/dir/index.html", "f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ", 1};
  CHECK(digest_response(challenge("http-auth@example.org", nonce, true), login, input) == "8ca523f5e9506fed4657c9700eebdbec");
  CHECK(digest_response(challenge("http-auth@example.org", nonce, true, DigestAlgorithm::sha256), login, input) ==
        "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1");
}

TEST_CASE("Digest SHA-512/256 with a user hash: the rule of RFC 7616 §3.4 with FIPS 180-4") {
  // Not as §3.9.2 prints it (check-values section 0): the values of section 3 for the same input (computed).
  const Credentials login{"Jäsøn Doe", "Secret, or not?"};
  auto c = challenge("api@example.org", "5TsQWLVdgBdmrQ0XsxbDODV+57QdFR34I9HAbC/RVvkK", true, DigestAlgorithm::sha512_256);
  c.user_hash = true;
  CHECK(hashed_user(c, login) == "793263caabb707a56211940d90411ea4a575adeccb7e360aeb624ed06ece9b0b");
  CHECK(digest_response(c, login, {"GET", "/doe.json", "NTg6RKcb9boFIAS3KrFK9BGeh+iDa/sm6jUMp2wds69v", 1}) ==
        "3798d4131c277846293534c3edc11bd8a5e4cdcbff78b05db9d95eeb1cec68a5");
}

TEST_CASE("Digest for RTSP, without and with qop (RFC 2326 §12.44; check-values section 3, computed)") {
  const Credentials login{"tram", "four rails"};
  DigestInput input{"DESCRIBE", "rtsp://192.0.2.10/head/1", "fedcba98", 1};
  CHECK(digest_response(challenge("depot", "0123456789abcdef", false), login, input) == "5919e1150af5b877c81adfe31b7257b8");
  CHECK(digest_response(challenge("depot", "0123456789abcdef", true), login, input) == "7b0754c74c37acc015e2655f41d74a7a");
  CHECK(digest_response(challenge("depot", "0123456789abcdef", true, DigestAlgorithm::sha256), login, input) ==
        "5b1ca7555df478d28ad6a39984b6ccd1a4793b1c984d6401ae03cedee7a633cf");
}

TEST_CASE("a header with several challenges gives each, and the strongest is chosen") {
  const auto all = decode_challenges(
      "Basic realm=\"unit\", Digest realm=\"unit\", nonce=\"abc\", qop=\"auth,auth-int\", "
      "Digest realm=\"unit\", nonce=\"def\", algorithm=SHA-256, qop=auth, stale=TRUE");
  REQUIRE(all.size() == 3);
  const auto best = choose_challenge(all, true);
  REQUIRE(best);
  CHECK(best->algorithm == DigestAlgorithm::sha256);
  CHECK(best->stale);
  const auto basic_only = decode_challenges("Basic realm=\"unit\"");
  CHECK_FALSE(choose_challenge(basic_only, false));
  CHECK(choose_challenge(basic_only, true));
}

TEST_CASE("challenges that nobody could answer are left out; odd ones harm nothing") {
  CHECK(decode_challenges("Digest realm=\"a\", nonce=\"b\", algorithm=NEWER").empty());
  CHECK(decode_challenges("Digest realm=\"a\", nonce=\"b\", qop=\"auth-int\"").empty());
  for (const char* odd : {"", ",,,", "Digest", "Digest realm=", "Digest realm=\"unended", "= = =", "\"\"\"", "Digest a=b=c"})
    decode_challenges(odd);
}

TEST_CASE("challenges as units write them: blanks, tabs, no quotes, any case (RFC 7235 §2.1)") {
  const auto spaced = decode_challenges("digest Realm = \"depot, north\" ,\tNonce= \"a\\\"b\" , STALE=True,Algorithm=md5");
  REQUIRE(spaced.size() == 1);
  CHECK(spaced[0].realm == "depot, north");
  CHECK(spaced[0].nonce == "a\"b");
  CHECK(spaced[0].stale);
  const auto bare = decode_challenges("Digest qop=auth-int,auth, realm=depot, nonce=abc\t, opaque=xyz, Basic realm=\"depot\"");
  REQUIRE(bare.size() == 2);
  CHECK(bare[0].qop_auth);
  CHECK(bare[0].nonce == "abc");
  CHECK(bare[0].opaque == "xyz");
  CHECK(bare[1].scheme == Challenge::Scheme::basic);
  CHECK(decode_challenges("Digest qop=auth-int, realm=depot, nonce=abc").empty());
  CHECK(decode_challenges("Negotiate, Digest realm=\"d\", nonce=\"n\"").size() == 1);
}

TEST_CASE("what a login holds cannot leave its quotes: RFC 7230 §3.2.6") {
  auto c = challenge("a\"b", "n\\", true);
  const auto header = authorization(c, {"u\"ser", "p"}, {"PLAY", "rtsp://192.0.2.10/x", "fedcba98", 0x1f});
  CHECK(header.find("username=\"u\\\"ser\"") != std::string::npos);
  CHECK(header.find("realm=\"a\\\"b\"") != std::string::npos);
  CHECK(header.find("nonce=\"n\\\\\"") != std::string::npos);
  CHECK(header.find("nc=0000001f") != std::string::npos);
}
