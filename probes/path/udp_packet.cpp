#include "probes/path/udp_packet.hpp"

#include "probes/wire/far_end_handshake.hpp"

#include <openssl/crypto.h>

#include <algorithm>

namespace tallywire::path {

UdpToken udp_token(const std::string& key, const std::string& salt) {
  const std::string text = "UDP session " + salt;
  const auto sum = wire::hmac_sha256(key, wire::Octets(reinterpret_cast<const std::uint8_t*>(text.data()), text.size()));
  UdpToken out{};
  std::copy_n(sum.begin(), out.size(), out.begin());
  return out;
}

void encode_udp_head(const UdpPacket& packet, const UdpToken& token, std::uint8_t* head) {
  head = std::copy(token.begin(), token.end(), head);
  const auto put = [&head](std::uint64_t value, int octets) {
    for (int i = octets - 1; i >= 0; --i) *head++ = static_cast<std::uint8_t>(value >> (8 * i));
  };
  put(static_cast<std::uint8_t>(packet.kind), 1);
  put(0, 1);
  put(packet.trial, 2);
  put(packet.sequence, 4);
  put(packet.packets, 4);
  put(packet.sent_ns, 8);
}

std::optional<UdpPacket> decode_udp_packet(wire::Octets octets, const UdpToken& token) {
  if (octets.size() < udp_head_octets || CRYPTO_memcmp(octets.data(), token.data(), token.size()) != 0) return std::nullopt;
  wire::OctetReader in(octets.subspan(token.size()));
  UdpPacket out;
  const auto kind = in.u8();
  in.skip(1);
  out.trial = in.u16();
  out.sequence = in.u32();
  out.packets = in.u32();
  out.sent_ns = in.u64();
  if (kind < 1 || kind > static_cast<std::uint8_t>(UdpKind::train)) return std::nullopt;
  out.kind = static_cast<UdpKind>(kind);
  if (out.kind == UdpKind::train && (out.packets == 0 || out.packets > most_trial_packets || out.sequence >= out.packets)) return std::nullopt;
  return out;
}

}  // namespace tallywire::path
