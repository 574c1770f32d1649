// HTTP authentication as RTSP and HTTP use it: Basic (RFC 7617), Digest (RFC 2617, 7616).
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace tallywire::wire {

struct Credentials {
  std::string user;
  std::string password;  // never logged, never part of an answer
};

enum class DigestAlgorithm { md5, sha256, sha512_256 };

struct Challenge {
  enum class Scheme { basic, digest } scheme = Scheme::digest;
  std::string realm;
  std::string nonce;
  std::string opaque;
  DigestAlgorithm algorithm = DigestAlgorithm::md5;
  bool qop_auth = false;
  bool stale = false;
  bool user_hash = false;
};

// One value of a WWW-Authenticate header, which may hold several challenges; those with an unknown scheme,
// algorithm or a qop without "auth" are left out. Never throws.
std::vector<Challenge> decode_challenges(std::string_view header);

// The strongest: Digest SHA-256 and SHA-512/256 before MD5; Basic only where it is allowed.
std::optional<Challenge> choose_challenge(const std::vector<Challenge>& challenges, bool allow_basic);

struct DigestInput {
  std::string method;
  std::string uri;
  std::string cnonce;       // used with qop only
  std::uint32_t count = 1;  // nc
};

// The "response" of RFC 7616 §3.4.1, hexadecimal.
std::string digest_response(const Challenge& challenge, const Credentials& login, const DigestInput& input);
// RFC 7616 §3.4.4.
std::string hashed_user(const Challenge& challenge, const Credentials& login);

// The whole value of an Authorization header.
std::string authorization(const Challenge& challenge, const Credentials& login, const DigestInput& input);

}  // namespace tallywire::wire
