#include "probes/wire/arp.hpp"

#include "probes/wire/ethernet.hpp"

#include <algorithm>
#include <cstdio>

namespace tallywire::wire {
namespace {

constexpr std::uint16_t hardware_ethernet = 1, protocol_ipv4 = 0x0800;
constexpr std::uint16_t operation_request = 1, operation_reply = 2;

template <class Array>
void read(OctetReader& in, Array& out) {
  const auto octets = in.take(out.size());
  std::copy(octets.begin(), octets.end(), out.begin());
}

template <class Array>
void put(std::vector<std::uint8_t>& out, const Array& octets) {
  out.insert(out.end(), octets.begin(), octets.end());
}

}  // namespace

std::string text_of(const Ipv4& a) {
  char text[16];
  std::snprintf(text, sizeof text, "%u.%u.%u.%u", a[0], a[1], a[2], a[3]);
  return text;
}

std::optional<Ipv4> decode_ipv4(std::string_view text) {
  Ipv4 out{};
  std::size_t at = 0;
  for (std::size_t i = 0; i < 4; ++i) {
    unsigned value = 0, digits = 0;
    while (at < text.size() && text[at] >= '0' && text[at] <= '9' && digits < 3) {
      value = value * 10 + static_cast<unsigned>(text[at++] - '0');
      ++digits;
    }
    if (digits == 0 || value > 255) return std::nullopt;
    out[i] = static_cast<std::uint8_t>(value);
    if (i < 3 && (at >= text.size() || text[at++] != '.')) return std::nullopt;
  }
  if (at != text.size()) return std::nullopt;
  return out;
}

std::optional<Ipv4> ArpPacket::owned() const {
  if (kind == ArpKind::probe || sender_address == Ipv4{}) return std::nullopt;
  return sender_address;
}

std::optional<ArpPacket> decode_arp(Octets payload) {
  OctetReader in(payload);
  if (in.u16() != hardware_ethernet || in.u16() != protocol_ipv4 || in.u8() != 6 || in.u8() != 4)
    return std::nullopt;
  const auto operation = in.u16();
  ArpPacket out;
  read(in, out.sender.octets);
  read(in, out.sender_address);
  read(in, out.target.octets);
  read(in, out.target_address);
  if (!in.ok() || (operation != operation_request && operation != operation_reply)) return std::nullopt;
  if (operation == operation_reply)
    out.kind = ArpKind::reply;
  else if (out.sender_address == Ipv4{})
    out.kind = ArpKind::probe;
  else if (out.sender_address == out.target_address)
    out.kind = ArpKind::announcement;
  return out;
}

std::vector<std::uint8_t> encode_arp_request(const MacAddress& source, const std::optional<Ipv4>& own,
                                             const Ipv4& target, const std::vector<std::uint16_t>& vlans) {
  std::vector<std::uint8_t> out;
  put(out, broadcast_mac.octets);
  put(out, source.octets);
  for (const auto vlan : vlans) {
    put_u16(out, ether_type_vlan);
    put_u16(out, vlan);
  }
  put_u16(out, ether_type_arp);
  put_u16(out, hardware_ethernet);
  put_u16(out, protocol_ipv4);
  out.push_back(6);
  out.push_back(4);
  put_u16(out, operation_request);
  put(out, source.octets);
  put(out, own.value_or(Ipv4{}));
  put(out, MacAddress{}.octets);
  put(out, target);
  return out;
}

}  // namespace tallywire::wire
