// Octets of frames that the benchmarks make.
#pragma once

#include <cstddef>
#include <cstdint>

namespace tallywire::bench {

// Big-endian octets of a number.
inline void put(std::uint8_t* at, std::uint64_t value, std::size_t octets) {
  for (std::size_t i = 0; i < octets; ++i) at[i] = static_cast<std::uint8_t>(value >> (8 * (octets - 1 - i)));
}

inline std::uint16_t ip_checksum(const std::uint8_t* header) {  // RFC 1071, of 20 octets
  std::uint32_t sum = 0;
  for (int i = 0; i < 20; i += 2) sum += static_cast<std::uint32_t>(header[i] << 8 | header[i + 1]);
  sum = (sum & 0xffff) + (sum >> 16);
  return static_cast<std::uint16_t>(~((sum & 0xffff) + (sum >> 16)));
}

}  // namespace tallywire::bench
