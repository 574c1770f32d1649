// decode_challenges and the Authorization that answers them (RFC 7235 §2.1, RFC 7616, RFC 7617).
#include "probes/wire/digest.hpp"
#include "tests/fuzz/fuzz.hpp"

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const auto text = fuzz::text_of({data, size});
  const auto challenges = decode_challenges(text);
  require(challenges.size() <= size, "no challenge without a word");
  const Credentials login{"tram", "four rails"};
  DigestInput input;
  input.method = "DESCRIBE";
  input.uri = "rtsp://192.0.2.10:554/1";
  input.cnonce = "0a4f113b";
  for (const auto& challenge : challenges) {
    require(challenge.realm.size() + challenge.nonce.size() + challenge.opaque.size() <= size, "no text of its own");
    const auto value = authorization(challenge, login, input);
    if (text.find(login.password) == std::string_view::npos)
      require(value.find(login.password) == std::string::npos, "the password is in no header");
    const bool basic = challenge.scheme == Challenge::Scheme::basic;
    require(basic == (value.rfind("Basic ", 0) == 0), "Basic only where it was asked for");
    // RFC 7616 §3.4.1: 128 or 256 bits in hexadecimal.
    if (!basic)
      require(digest_response(challenge, login, input).size() ==
                  (challenge.algorithm == DigestAlgorithm::md5 ? 32u : 64u),
              "a response has its length");
    // What a header line cannot hold must not come out of a header line.
    if (!fuzz::has_line_break(text)) require(!fuzz::has_line_break(value), "an answer is one line");
  }
  const auto safe = choose_challenge(challenges, false);
  require(!safe || safe->scheme == Challenge::Scheme::digest, "Basic is chosen only where it is allowed");
  const auto any = choose_challenge(challenges, true);
  require(any.has_value() == !challenges.empty(), "with Basic allowed every challenge can be met");
  return 0;
}
