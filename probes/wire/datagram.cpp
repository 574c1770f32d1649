#include "probes/wire/datagram.hpp"

#include "probes/wire/ethernet.hpp"

#include <arpa/inet.h>

#include <algorithm>
#include <charconv>

namespace tallywire::wire {
namespace {

constexpr std::uint16_t ether_ipv4 = 0x0800, ether_ipv6 = 0x86dd;
constexpr std::uint8_t protocol_gre = 47;
constexpr std::uint16_t port_vxlan = 4789;  // RFC 7348
constexpr int most_extension_headers = 8;

std::uint16_t u16(Octets octets, std::size_t at) { return static_cast<std::uint16_t>(octets[at] << 8 | octets[at + 1]); }
std::uint32_t u32(Octets octets, std::size_t at) { return std::uint32_t{u16(octets, at)} << 16 | u16(octets, at + 2); }

void set(Datagram& out, Datagram::What what) { out.what = what; }

void decode_udp(Octets octets, std::uint32_t told, Datagram& out) {
  if (told < 8) return set(out, Datagram::What::malformed);
  if (octets.size() < 8) return set(out, Datagram::What::cut);
  std::uint32_t length = u16(octets, 4);
  // 0: longer than 16 bits can tell (RFC 2675 §4), as frames of an offloading card are.
  if (length == 0) length = told;
  if (length < 8 || length > told) return set(out, Datagram::What::malformed);
  out.flow.transport = Transport::udp;
  out.flow.source_port = u16(octets, 0);
  out.flow.destination_port = u16(octets, 2);
  out.payload_octets = length - 8;
  out.payload = octets.subspan(8, std::min<std::size_t>(octets.size() - 8, out.payload_octets));
  const bool vxlan = out.flow.destination_port == port_vxlan && out.payload_octets > 8 + 14 && out.payload.size() >= 8 &&
                     out.payload[0] == 0x08 && out.payload[1] == 0 && out.payload[7] == 0;
  out.what = vxlan ? Datagram::What::wrapped : Datagram::What::udp;
}

void decode_tcp(Octets octets, std::uint32_t told, Datagram& out) {
  constexpr std::size_t least = 20;
  if (told < least) return set(out, Datagram::What::malformed);
  if (octets.size() < least) return set(out, Datagram::What::cut);
  const std::size_t head = std::size_t{octets[12]} / 16 * 4;
  if (head < least || head > told) return set(out, Datagram::What::malformed);
  if (head > octets.size()) return set(out, Datagram::What::cut);
  out.flow.transport = Transport::tcp;
  out.flow.source_port = u16(octets, 0);
  out.flow.destination_port = u16(octets, 2);
  const auto flags = octets[13];
  out.tcp = {u32(octets, 4), u32(octets, 8), (flags & 2) != 0, (flags & 1) != 0, (flags & 4) != 0, (flags & 16) != 0};
  out.payload_octets = told - static_cast<std::uint32_t>(head);
  out.payload = octets.subspan(head);
  out.what = Datagram::What::tcp;
}

void decode_ports(std::uint8_t protocol, Octets octets, std::uint32_t told, Datagram& out) {
  if (protocol == static_cast<std::uint8_t>(Transport::udp)) return decode_udp(octets, told, out);
  if (protocol == static_cast<std::uint8_t>(Transport::tcp)) return decode_tcp(octets, told, out);
  set(out, protocol == protocol_gre ? Datagram::What::wrapped : Datagram::What::other);
}

// `told`: octets of the packet on the wire, link padding included.
void decode_ipv4(Octets octets, std::uint32_t told, Datagram& out) {
  constexpr std::size_t least = 20;
  if (octets.size() < least) return set(out, told < least ? Datagram::What::malformed : Datagram::What::cut);
  if (octets[0] >> 4 != 4) return set(out, Datagram::What::malformed);
  const std::size_t head = std::size_t{octets[0]} % 16 * 4;
  std::uint32_t length = u16(octets, 2);
  // 0: made by a card that cuts segments itself (TSO); it is the whole frame then (common practice).
  if (length == 0) length = told;
  if (head < least || length < head || length > told) return set(out, Datagram::What::malformed);
  if (head > octets.size()) return set(out, Datagram::What::cut);
  auto& flow = out.flow;
  flow.ipv6 = false;
  flow.words = {};
  std::memcpy(&flow.words[0], &octets[12], 4);
  std::memcpy(&flow.words[2], &octets[16], 4);
  const std::uint16_t cut = u16(octets, 6);
  const auto payload = octets.subspan(head, std::min<std::size_t>(octets.size(), length) - head);
  if ((cut & 0x3fff) != 0) {
    out.fragment = {flow.words, false, u16(octets, 4), octets[9], (cut & 0x1fffu) * 8, (cut & 0x2000) != 0,
                    length - static_cast<std::uint32_t>(head), payload};
    return set(out, Datagram::What::fragment);
  }
  decode_ports(octets[9], payload, length - static_cast<std::uint32_t>(head), out);
}

struct Ipv6Rest {
  Octets octets;
  std::uint32_t told;
  std::uint8_t protocol;
};

// Past one extension header; false when `out` has its answer: another protocol's matter, a fragment, too short.
bool skip_extension(Ipv6Rest& rest, Datagram& out) {
  constexpr std::uint8_t hop_by_hop = 0, routing = 43, fragment = 44, authentication = 51, destination = 60;
  const auto short_of = [&](std::size_t need) {
    if (rest.told < need) {
      set(out, Datagram::What::malformed);
      return true;
    }
    if (rest.octets.size() < need) {
      set(out, Datagram::What::cut);
      return true;
    }
    return false;
  };
  if (short_of(8)) return false;
  const std::uint8_t next = rest.octets[0];
  if (rest.protocol == fragment) {
    const std::uint16_t cut = u16(rest.octets, 2);
    out.fragment = {out.flow.words, true, u32(rest.octets, 4), next, cut & 0xfff8u, (cut & 1) != 0, rest.told - 8, rest.octets.subspan(8)};
    if (out.fragment.offset_octets > 0 || out.fragment.more) {
      set(out, Datagram::What::fragment);
      return false;
    }
    rest = {rest.octets.subspan(8), rest.told - 8, next};  // an atomic fragment (RFC 6946)
    return true;
  }
  if (rest.protocol != hop_by_hop && rest.protocol != routing && rest.protocol != destination && rest.protocol != authentication) {
    decode_ports(rest.protocol, rest.octets, rest.told, out);
    return false;
  }
  const std::size_t length = rest.protocol == authentication ? (std::size_t{rest.octets[1]} + 2) * 4 : (std::size_t{rest.octets[1]} + 1) * 8;
  if (short_of(length)) return false;
  rest = {rest.octets.subspan(length), rest.told - static_cast<std::uint32_t>(length), next};
  return true;
}

void decode_ipv6(Octets octets, std::uint32_t told, Datagram& out) {
  constexpr std::size_t head = 40;
  if (octets.size() < head) return set(out, told < head ? Datagram::What::malformed : Datagram::What::cut);
  if (octets[0] >> 4 != 6) return set(out, Datagram::What::malformed);
  std::uint32_t length = u16(octets, 4);
  if (length == 0) length = told - static_cast<std::uint32_t>(head);  // a jumbogram, or a card that cuts segments itself
  if (length > told - head) return set(out, Datagram::What::malformed);
  out.flow.ipv6 = true;
  std::memcpy(out.flow.words.data(), &octets[8], 32);
  Ipv6Rest rest{octets.subspan(head, std::min<std::size_t>(octets.size() - head, length)), length, octets[6]};
  const auto is_transport = [](std::uint8_t protocol) {
    return protocol == static_cast<std::uint8_t>(Transport::udp) || protocol == static_cast<std::uint8_t>(Transport::tcp);
  };
  for (int i = 0; !is_transport(rest.protocol); ++i) {
    if (i == most_extension_headers) return set(out, Datagram::What::malformed);
    if (!skip_extension(rest, out)) return;
  }
  decode_ports(rest.protocol, rest.octets, rest.told, out);
}

void decode_network(std::uint16_t ether_type, Octets octets, std::uint32_t told, Datagram& out) {
  if (ether_type == ether_ipv4) return decode_ipv4(octets, told, out);
  if (ether_type == ether_ipv6) return decode_ipv6(octets, told, out);
  const bool wrapped = ether_type == 0x8847 || ether_type == 0x8848 || ether_type == 0x8864;  // MPLS, PPPoE
  set(out, wrapped ? Datagram::What::wrapped : Datagram::What::other);
}

// From an EtherType on, at `at`: the tags, then the packet.
void decode_tagged(Octets frame, std::uint32_t original, std::size_t at, Datagram& out) {
  std::uint16_t type = u16(frame, at);
  at += 2;
  while (is_vlan_type(type)) {
    if (++out.vlan_tags > most_vlan_tags) return set(out, Datagram::What::malformed);
    if (at + 4 > frame.size()) return set(out, at + 4 > original ? Datagram::What::malformed : Datagram::What::cut);
    type = u16(frame, at + 2);
    at += 4;
  }
  decode_network(type, frame.subspan(at), original - static_cast<std::uint32_t>(at), out);
}

void decode_raw_ip(Octets octets, std::uint32_t told, Datagram& out) {
  if (octets.empty()) return set(out, told == 0 ? Datagram::What::malformed : Datagram::What::cut);
  if (octets[0] >> 4 == 4) return decode_ipv4(octets, told, out);
  if (octets[0] >> 4 == 6) return decode_ipv6(octets, told, out);
  set(out, Datagram::What::other);
}

// The address family is that of the machine that captured, in its own byte order; IPv6 has other numbers elsewhere.
// The packet itself tells which it is.
void decode_loopback(Octets frame, std::uint32_t original, Datagram& out) {
  if (frame.size() < 4) return set(out, Datagram::What::cut);
  decode_raw_ip(frame.subspan(4), original - 4, out);
}

std::uint32_t link_header_octets(LinkLayer link) {
  switch (link) {
    case LinkLayer::ethernet: return 14;
    case LinkLayer::linux_cooked: return 16;
    case LinkLayer::linux_cooked_v2: return 20;
    case LinkLayer::null_loopback: return 4;
    case LinkLayer::raw_ip:
    case LinkLayer::unknown: return 0;
  }
  return 0;
}

}  // namespace

LinkLayer link_layer_of(std::uint32_t link_type) {
  switch (link_type) {
    case 0:
    case 108: return LinkLayer::null_loopback;
    case 1: return LinkLayer::ethernet;
    case 12:
    case 14:
    case 101:
    case 228:
    case 229: return LinkLayer::raw_ip;
    case 113: return LinkLayer::linux_cooked;
    case 276: return LinkLayer::linux_cooked_v2;
    default: return LinkLayer::unknown;
  }
}

void decode_frame(Octets frame, std::uint32_t original_octets, LinkLayer link, Datagram& out) {
  const auto original = std::max(original_octets, static_cast<std::uint32_t>(frame.size()));
  out.frame_octets = original;
  out.ethernet_octets = original + 14 - std::min(original, link_header_octets(link));
  out.frames = 1;
  out.vlan_tags = 0;
  const auto from_type = [&](std::size_t at) {
    if (frame.size() >= at + 2) return decode_tagged(frame, original, at, out);
    set(out, original < at + 2 ? Datagram::What::malformed : Datagram::What::cut);
  };
  switch (link) {
    case LinkLayer::ethernet: return from_type(12);
    case LinkLayer::linux_cooked: return from_type(14);
    case LinkLayer::linux_cooked_v2: {
      if (frame.size() < 20) return set(out, original < 20 ? Datagram::What::malformed : Datagram::What::cut);
      const auto type = u16(frame, 0);
      if (!is_vlan_type(type)) return decode_network(type, frame.subspan(20), original - 20, out);
      // A tag that stands before the packet: its two octets and the EtherType proper.
      if (frame.size() < 24) return set(out, original < 24 ? Datagram::What::malformed : Datagram::What::cut);
      ++out.vlan_tags;
      return decode_tagged(frame, original, 22, out);
    }
    case LinkLayer::raw_ip: return decode_raw_ip(frame, original, out);
    case LinkLayer::null_loopback: return decode_loopback(frame, original, out);
    case LinkLayer::unknown: return set(out, Datagram::What::other);
  }
}

void decode_transport(const std::array<std::uint64_t, 4>& addresses, bool ipv6, std::uint8_t protocol, Octets octets,
                      std::uint32_t octets_told, Datagram& out) {
  out.flow.words = addresses;
  out.flow.ipv6 = ipv6;
  decode_ports(protocol, octets, octets_told, out);
}

std::string IpAddress::text() const {
  char out[INET6_ADDRSTRLEN] = {};
  if (!ipv6) {  // as inet_ntop() writes it, which takes longer than all else that is told of a stream's ends
    char* end = out;
    for (std::size_t i = 0; i < 4; ++i) {
      if (i > 0) *end++ = '.';
      end = std::to_chars(end, out + sizeof out, octets[i]).ptr;
    }
    return {out, end};
  }
  inet_ntop(AF_INET6, octets.data(), out, sizeof out);
  return out;
}

bool IpAddress::is_multicast() const { return ipv6 ? octets[0] == 0xff : octets[0] >> 4 == 14; }

std::optional<IpAddress> decode_ip_address(const std::string& text) {
  IpAddress out;
  if (inet_pton(AF_INET, text.c_str(), out.octets.data()) == 1) return out;
  out = {};
  out.ipv6 = true;
  if (inet_pton(AF_INET6, text.c_str(), out.octets.data()) == 1) return out;
  return std::nullopt;
}

namespace {
std::string place(const IpAddress& address, std::uint16_t port) {
  return (address.ipv6 ? "[" + address.text() + "]" : address.text()) + ":" + std::to_string(port);
}
}  // namespace

std::string Flow::source_text() const { return place(source(), source_port); }
std::string Flow::destination_text() const { return place(destination(), destination_port); }

}  // namespace tallywire::wire
