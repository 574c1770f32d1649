// ARP for IPv4 over Ethernet (RFC 826), probes and announcements (RFC 5227).
#pragma once

#include "probes/wire/mac_address.hpp"
#include "probes/wire/octets.hpp"

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::wire {

using Ipv4 = std::array<std::uint8_t, 4>;
std::string text_of(const Ipv4& address);
std::optional<Ipv4> decode_ipv4(std::string_view text);

enum class ArpKind { request, reply, probe, announcement };

struct ArpPacket {
  ArpKind kind = ArpKind::request;
  MacAddress sender;
  Ipv4 sender_address{};
  MacAddress target;
  Ipv4 target_address{};

  // The address that the sender says it owns: none in a probe, which only asks (RFC 5227 §1.1).
  std::optional<Ipv4> owned() const;
  bool operator==(const ArpPacket&) const = default;
};

// The payload of a frame of type 0x0806. None for other hardware or protocols, or cut short.
std::optional<ArpPacket> decode_arp(Octets payload);

// A whole broadcast frame that asks who owns `target`, behind `vlans` (outermost first). With `own` unset it has the form of a
// probe (sender address 0.0.0.0), which needs no address of ours. To a host that itself is probing for that address it is a
// conflict (RFC 5227 §2.1.1): whoever may just start is not to be asked so.
std::vector<std::uint8_t> encode_arp_request(const MacAddress& source, const std::optional<Ipv4>& own, const Ipv4& target,
                                             const std::vector<std::uint16_t>& vlans = {});

}  // namespace tallywire::wire
