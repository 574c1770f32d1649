// How two Tallywires agree to measure: each proves that it holds the same key, and the request is bound to
// the proof, so that nobody can replay or alter it. The key never crosses. Without I/O.
//
//   asker    -> hello    {version, nonce A}
//   far end  -> challenge{version, nonce B, proof "far-end" over A, B}
//   asker    -> request  {request, proof "asker" over A, B, request}
//   far end  -> accepted {what the work needs to begin} or refused {reason}
//
// A proof is HMAC-SHA-256 (RFC 2104) over its role and the nonces, each with its length before it. A frame is
// four octets of length, big-endian, and as many octets of JSON; 16 KiB at most.
#pragma once

#include "probes/fault.hpp"
#include "probes/wire/octets.hpp"

#include <nlohmann/json.hpp>

#include <optional>
#include <string>
#include <vector>

namespace tallywire::wire {

inline constexpr int far_end_version = 1;
inline constexpr std::size_t largest_far_end_frame = 16 * 1024;
inline constexpr std::size_t nonce_octets = 32;
inline constexpr std::size_t least_key_octets = 16;

std::vector<std::uint8_t> hmac_sha256(const std::string& key, Octets text);

std::string encode_far_end_frame(const nlohmann::json& body);
struct FarEndFrame {
  enum class What { need_more, frame, malformed } what = What::need_more;
  std::size_t consumed = 0;
  nlohmann::json body;
};
FarEndFrame parse_far_end_frame(Octets received);

// The asker's side. `nonce` is random, nonce_octets long.
class FarEndAsker {
 public:
  FarEndAsker(std::string key, std::vector<std::uint8_t> nonce, nlohmann::json request)
      : key_(std::move(key)), nonce_(std::move(nonce)), request_(std::move(request)) {}
  std::string hello() const;
  // What to send in answer to the challenge; a Fault of kind refused when the far end does not hold the key.
  Outcome<std::string> answer(const nlohmann::json& challenge, const std::string& where) const;
  // What the far end said beside its yes: ports, session numbers. A Fault of kind refused when it said no.
  static Outcome<nlohmann::json> read_verdict(const nlohmann::json& verdict, const std::string& where);

 private:
  std::string key_;
  std::vector<std::uint8_t> nonce_;
  nlohmann::json request_;
};

// The far end's side.
class FarEndKeeper {
 public:
  FarEndKeeper(std::string key, std::vector<std::uint8_t> nonce) : key_(std::move(key)), nonce_(std::move(nonce)) {}
  // The challenge for a hello; none when it is no hello of our version.
  std::optional<std::string> challenge(const nlohmann::json& hello);
  // The request, when the asker proved that it holds the key.
  std::optional<nlohmann::json> admit(const nlohmann::json& request) const;

 private:
  std::string key_;
  std::vector<std::uint8_t> nonce_;
  std::vector<std::uint8_t> asker_nonce_;
};

// `details`, an object, goes with the yes.
std::string far_end_accepted(nlohmann::json details = nlohmann::json::object());
std::string far_end_refused(const std::string& reason);

}  // namespace tallywire::wire
