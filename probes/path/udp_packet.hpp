// The packets of a UDP measurement between two Tallywires, without I/O. Every packet carries the session's token, which only who
// holds the key can make: what comes without it is a stranger's and counts nowhere.
//
//   0  token, 16 octets      the first of HMAC-SHA-256 over the session's salt, with the key both ends hold
//   16 kind, 1 octet; 17 zero; 18 trial, 2 octets
//   20 sequence, 4; 24 packets of the trial, 4; 28 sent, 8: ns of the sender's own clock    (big-endian)
//   36 filling up to the size that is measured
#pragma once

#include "probes/wire/octets.hpp"

#include <array>
#include <cstdint>
#include <optional>
#include <string>

namespace tallywire::path {

using UdpToken = std::array<std::uint8_t, 16>;

inline constexpr std::size_t udp_head_octets = 36;
inline constexpr std::uint32_t most_trial_packets = 1u << 22;

enum class UdpKind : std::uint8_t {
  hello = 1,  // asker: here I am
  probe = 2,  // did a packet of this size come through?
  heard = 3,  // the answer to both, with their trial and sequence
  train = 4,  // one packet of a trial
};

struct UdpPacket {
  UdpKind kind = UdpKind::hello;
  std::uint16_t trial = 0;
  std::uint32_t sequence = 0;
  std::uint32_t packets = 0;
  std::uint64_t sent_ns = 0;
};

// `salt` is random and crosses in the request, which the agreement proves to be unaltered.
UdpToken udp_token(const std::string& key, const std::string& salt);
void encode_udp_head(const UdpPacket& packet, const UdpToken& token, std::uint8_t* head);  // udp_head_octets of room
// None: a stranger's, or malformed (shorter than a head, an unknown kind, a sequence beyond its trial).
std::optional<UdpPacket> decode_udp_packet(wire::Octets octets, const UdpToken& token);

}  // namespace tallywire::path
