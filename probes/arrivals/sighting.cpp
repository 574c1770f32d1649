#include "probes/arrivals/sighting.hpp"

#include "probes/wire/ethernet.hpp"

#include <algorithm>

namespace tallywire::arrivals {
namespace {

using wire::LinkLayer;
using wire::Octets;

constexpr std::uint16_t ether_type_ipv4 = 0x0800, ether_type_ipv6 = 0x86dd;

// A frame without what its link layer adds.
struct Network {
  wire::MacAddress source;
  std::vector<std::uint16_t> vlans;
  std::uint16_t ether_type = 0;
  Octets packet;  // with the link's padding
};

std::optional<Network> from_ethernet(Octets octets) {
  auto frame = wire::decode_ethernet(octets);
  if (!frame) return std::nullopt;
  return Network{frame->source, std::move(frame->vlans), frame->ether_type, frame->payload};
}

// LINKTYPE_LINUX_SLL and LINKTYPE_LINUX_SLL2 (tcpdump.org/linktypes): the sender's address, of whatever hardware, in 8 octets.
std::optional<Network> from_cooked(Octets octets, bool second_version) {
  wire::OctetReader in(octets);
  Network out;
  std::uint16_t hardware = 0, address_octets = 0;
  if (second_version) {
    out.ether_type = in.u16();
    in.skip(6);  // reserved, interface
    hardware = in.u16();
    in.u8();  // packet type
    address_octets = in.u8();
  } else {
    in.u16();
    hardware = in.u16();
    address_octets = in.u16();
  }
  const auto address = in.take(8);
  if (!second_version) out.ether_type = in.u16();
  while (in.ok() && wire::is_vlan_type(out.ether_type)) {
    if (out.vlans.size() == wire::most_vlan_tags) return std::nullopt;
    out.vlans.push_back(in.u16() & 0x0fff);
    out.ether_type = in.u16();
  }
  if (!in.ok()) return std::nullopt;
  constexpr std::uint16_t hardware_ethernet = 1;  // ARPHRD_ETHER
  if (hardware == hardware_ethernet && address_octets == 6) std::copy_n(address.begin(), 6, out.source.octets.begin());
  out.packet = in.take(in.left());
  return out;
}

std::optional<Network> from_ip(Octets packet) {
  if (packet.empty()) return std::nullopt;
  return Network{{}, {}, packet[0] >> 4 == 6 ? ether_type_ipv6 : ether_type_ipv4, packet};
}

std::optional<Network> network_of(Octets frame, LinkLayer link) {
  switch (link) {
    case LinkLayer::ethernet: return from_ethernet(frame);
    case LinkLayer::linux_cooked: return from_cooked(frame, false);
    case LinkLayer::linux_cooked_v2: return from_cooked(frame, true);
    case LinkLayer::raw_ip: return from_ip(frame);
    case LinkLayer::null_loopback: return frame.size() > 4 ? from_ip(frame.subspan(4)) : std::nullopt;
    case LinkLayer::unknown: return std::nullopt;
  }
  return std::nullopt;
}

template <class Message>
std::optional<Said> said(std::optional<Message> message) {
  if (!message) return std::nullopt;
  return Said(std::move(*message));
}

std::optional<wire::IpAddress> specified(const wire::IpAddress& address) {
  return address.octets == wire::IpAddress{}.octets ? std::nullopt : std::optional(address);
}

bool is_ip(const Network& network) { return network.ether_type == ether_type_ipv4 || network.ether_type == ether_type_ipv6; }

// The packet alone, whatever the link layer was: decode_frame() knows no hardware addresses.
void read_packet(const Network& network, wire::Datagram& out) { wire::decode_frame(network.packet, 0, LinkLayer::raw_ip, out); }

std::optional<Said> said_by(const wire::Datagram& datagram) {
  if (datagram.what != wire::Datagram::What::udp || datagram.payload.size() < datagram.payload_octets) return std::nullopt;
  const auto is_port = [&](std::uint16_t port) {
    return datagram.flow.source_port == port || datagram.flow.destination_port == port;
  };
  if (is_port(wire::mdns_port)) return said(wire::decode_dns(datagram.payload));
  if (is_port(wire::ws_discovery_port)) return said(wire::decode_ws_discovery(datagram.payload));
  if (is_port(wire::dhcp_server_port) || is_port(wire::dhcp_client_port)) return said(wire::decode_dhcp(datagram.payload));
  return std::nullopt;
}

// What needs no datagram.
std::optional<Said> said_by(const Network& network, std::optional<wire::IpAddress>& sent_from) {
  if (network.ether_type == wire::ether_type_arp) return said(wire::decode_arp(network.packet));
  if (network.ether_type == wire::ether_type_lldp) return said(wire::decode_lldp(network.packet));
  if (network.ether_type != ether_type_ipv6) return std::nullopt;
  auto message = wire::decode_icmpv6(network.packet);
  if (message) sent_from = specified(message->source);
  return said(std::move(message));
}

// `fragments`: null where each frame stands for itself.
std::optional<Sighting> read_frame(Octets frame, LinkLayer link, SystemTime when, wire::IpFragments* fragments) {
  auto network = network_of(frame, link);
  if (!network) return std::nullopt;
  std::optional<wire::IpAddress> sent_from;
  auto message = said_by(*network, sent_from);
  if (!message && is_ip(*network)) {
    wire::Datagram datagram;
    read_packet(*network, datagram);
    if (datagram.what == wire::Datagram::What::fragment) {
      const auto octets = static_cast<std::uint32_t>(frame.size());
      const auto piece = datagram.fragment;
      if (!fragments || !fragments->add(piece, octets, when.time_since_epoch(), datagram)) return std::nullopt;
    }
    message = said_by(datagram);
    sent_from = specified(datagram.flow.source());
  }
  if (!message) return std::nullopt;
  return Sighting{when, network->source, std::move(network->vlans), sent_from, std::move(*message)};
}

}  // namespace

std::optional<Sighting> sighting_of(Octets frame, LinkLayer link, SystemTime when) {
  return read_frame(frame, link, when, nullptr);
}

std::optional<Sighting> SightingReader::add(Octets frame, LinkLayer link, SystemTime when) {
  return read_frame(frame, link, when, &fragments_);
}

}  // namespace tallywire::arrivals
