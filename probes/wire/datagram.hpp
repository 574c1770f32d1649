// From a captured frame to the UDP datagram or TCP segment in it: Ethernet with stacked VLAN tags (IEEE 802.3, 802.1Q),
// Linux cooked (LINKTYPE_LINUX_SLL, LINKTYPE_LINUX_SLL2), raw IP, loopback; IPv4 (RFC 791) and IPv6 (RFC 8200). A capture
// may have cut a frame short; then what was captured is looked at, and the lengths are those that the headers tell.
#pragma once

#include "probes/wire/octets.hpp"

#include <array>
#include <cstdint>
#include <cstring>
#include <optional>
#include <string>

namespace tallywire::wire {

// What a frame begins with. Numbers of the registry of link types (tcpdump.org/linktypes.html, and
// draft-ietf-opsawg-pcaplinktype).
enum class LinkLayer : std::uint8_t { unknown, ethernet, linux_cooked, linux_cooked_v2, raw_ip, null_loopback };
LinkLayer link_layer_of(std::uint32_t link_type);

enum class Transport : std::uint8_t { udp = 17, tcp = 6 };

// The two ends of a datagram. An IPv4 address stands in the first four octets, the rest is 0.
struct IpAddress {
  std::array<std::uint8_t, 16> octets{};
  bool ipv6 = false;
  bool operator==(const IpAddress&) const = default;
  std::string text() const;  // "192.0.2.10", "2001:db8::1"
  bool is_multicast() const;
};
// None when it is no address in numbers.
std::optional<IpAddress> decode_ip_address(const std::string& text);

struct Flow {
  std::array<std::uint64_t, 4> words{};  // source, destination; as the octets stand
  std::uint16_t source_port = 0, destination_port = 0;
  Transport transport = Transport::udp;
  bool ipv6 = false;
  // Most packets of a table's look are found at once: no branch for each word.
  bool operator==(const Flow& o) const {
    const auto words_differ = (words[0] ^ o.words[0]) | (words[1] ^ o.words[1]) | (words[2] ^ o.words[2]) | (words[3] ^ o.words[3]);
    return words_differ == 0 && source_port == o.source_port && destination_port == o.destination_port && transport == o.transport && ipv6 == o.ipv6;
  }

  IpAddress source() const { return address(0); }
  IpAddress destination() const { return address(2); }
  Flow reversed() const {
    return {{words[2], words[3], words[0], words[1]}, destination_port, source_port, transport, ipv6};
  }
  // "192.0.2.10:5004", "[2001:db8::1]:5004"
  std::string source_text() const;
  std::string destination_text() const;
  std::size_t hash() const {
    std::uint64_t h = words[0] * 0x9e3779b97f4a7c15u ^ (words[1] + words[3]) * 0xc2b2ae3d27d4eb4fu;
    h ^= (words[2] + (std::uint64_t{source_port} << 16 | destination_port)) * 0xff51afd7ed558ccdu;
    h ^= h >> 32;
    h *= 0xd6e8feb86659fd93u;
    return static_cast<std::size_t>(h ^ h >> 32);
  }

 private:
  IpAddress address(std::size_t at) const {
    IpAddress out;
    out.ipv6 = ipv6;
    std::memcpy(out.octets.data(), &words[at], 16);
    return out;
  }
};

struct TcpHeader {
  std::uint32_t sequence = 0, acknowledgement = 0;
  bool syn = false, fin = false, rst = false, ack = false;
};

// A piece of a datagram that does not stand in one frame (RFC 791 §3.2, RFC 8200 §4.5).
struct Fragment {
  std::array<std::uint64_t, 4> addresses{};
  bool ipv6 = false;
  std::uint32_t identification = 0;
  std::uint8_t protocol = 0;
  std::uint32_t offset_octets = 0;
  bool more = false;
  std::uint32_t octets_told = 0;  // by the header; more than `data` holds when the capture cut it
  Octets data;
};

struct Datagram {
  enum class What : std::uint8_t {
    udp, tcp,
    fragment,   // `fragment` is filled in
    other,      // neither of these: ARP, ICMP, another protocol
    wrapped,    // a frame or a packet within a tunnel: GRE and ERSPAN, VXLAN, MPLS, PPPoE
    malformed,  // a length does not fit
    cut,        // the capture holds too little of it to tell
  };
  What what = What::other;
  std::uint8_t vlan_tags = 0;
  std::uint32_t frame_octets = 0;     // as the capture tells, without FCS
  std::uint32_t ethernet_octets = 0;  // as it was on Ethernet, without FCS: other link layers' headers are the capture's own
  std::uint32_t frames = 1;           // 1; of a datagram that came in fragments, how many
  Flow flow;
  Octets payload;                     // of UDP or TCP as far as it was captured; a view
  std::uint32_t payload_octets = 0;   // as it was on the wire
  TcpHeader tcp;
  Fragment fragment;
};

// `original_octets`: the frame's length on the wire; at least frame.size(). The answer goes into `out`, which is used over
// and over: fields beyond those that `what` calls for are left as they were.
void decode_frame(Octets frame, std::uint32_t original_octets, LinkLayer link, Datagram& out);

// The transport header of a datagram that was put together again. `out.flow`'s addresses come from the fragments.
void decode_transport(const std::array<std::uint64_t, 4>& addresses, bool ipv6, std::uint8_t protocol, Octets octets,
                      std::uint32_t octets_told, Datagram& out);

}  // namespace tallywire::wire
