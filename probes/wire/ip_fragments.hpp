// Puts datagrams together that came in fragments (RFC 791 §3.2, RFC 8200 §4.5). Memory is bounded; what is not whole
// within the patience of a receiver is given up and counted. No I/O; one thread at a time.
#pragma once

#include "probes/wire/datagram.hpp"

#include <bitset>
#include <chrono>
#include <cstdint>
#include <vector>

namespace tallywire::wire {

class IpFragments {
 public:
  static constexpr std::size_t most_datagrams = 64;         // under way at once; the oldest is given up
  static constexpr std::chrono::nanoseconds patience = std::chrono::seconds(30);

  // A fragment that came at `at`. True when it made a datagram whole: then `out` holds its transport header and payload (a
  // view until the next call), and ethernet_octets and frames those of all its fragments.
  bool add(const Fragment& fragment, std::uint32_t ethernet_octets, std::chrono::nanoseconds at, Datagram& out);
  // Datagrams of which a piece never came, or that contradicted themselves.
  std::uint64_t incomplete() const { return given_up_ + parts_.size(); }

 private:
  static constexpr std::size_t most_octets = 65535;
  static constexpr std::size_t unit = 8;
  struct Parts {
    std::array<std::uint64_t, 4> addresses{};
    bool ipv6 = false;
    std::uint32_t identification = 0;
    std::uint8_t protocol = 0;
    std::chrono::nanoseconds since{};
    std::uint32_t octets_in_all = 0;  // 0: the last fragment has not come
    std::uint32_t captured_head = 0;  // octets from the front that were captured without a hole
    std::uint32_t ethernet_octets = 0;
    std::uint32_t frames = 0;
    std::bitset<most_octets / unit + 1> here;
    std::vector<std::uint8_t> octets;
  };
  Parts& find(const Fragment& fragment, std::chrono::nanoseconds at);
  bool put(Parts& parts, const Fragment& fragment);

  std::vector<Parts> parts_;
  std::vector<std::uint8_t> whole_;
  std::uint64_t given_up_ = 0;
};

}  // namespace tallywire::wire
