// What both ends of a STAMP session between two Tallywires know without sending it.
#pragma once

#include "probes/wire/far_end_handshake.hpp"

#include <cstdint>
#include <string>

namespace tallywire::path {

inline constexpr std::size_t least_stamp_salt = 32;              // hexadecimal digits
inline constexpr std::size_t stamp_lags_a_frame = 1500;          // of up to 8 octets each, in a frame of 16 KiB
inline constexpr std::uint32_t most_stamp_packets = 600'000;     // 10 minutes of 1000 a second

// A key of this session alone, so that a packet of another session is no answer to this one. `salt` crosses in the request,
// which the agreement proves to be unaltered.
inline std::string stamp_session_key(const std::string& key, const std::string& salt) {
  const std::string text = "STAMP session " + salt;
  const auto sum = wire::hmac_sha256(key, wire::Octets(reinterpret_cast<const std::uint8_t*>(text.data()), text.size()));
  return std::string(sum.begin(), sum.end());
}

}  // namespace tallywire::path
