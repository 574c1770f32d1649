// What one frame says of whoever sent it: ARP, DHCP, IPv6 neighbour discovery and listener reports, mDNS, WS-Discovery, LLDP.
// Without I/O: cards and capture files come in by the same door.
#pragma once

#include "probes/reading.hpp"
#include "probes/wire/arp.hpp"
#include "probes/wire/datagram.hpp"
#include "probes/wire/dhcp.hpp"
#include "probes/wire/dns_message.hpp"
#include "probes/wire/icmpv6.hpp"
#include "probes/wire/ip_fragments.hpp"
#include "probes/wire/lldp.hpp"
#include "probes/wire/mac_address.hpp"
#include "probes/wire/ws_discovery.hpp"

#include <optional>
#include <variant>
#include <vector>

namespace tallywire::arrivals {

using Said = std::variant<wire::ArpPacket, wire::DhcpMessage, wire::Icmpv6Message, wire::DnsMessage,
                          wire::WsDiscoveryMessage, wire::LldpNeighbour>;

struct Sighting {
  SystemTime when{};                          // stamped where the frame was caught
  wire::MacAddress source;                    // of the frame; zero where the link layer tells none
  std::vector<std::uint16_t> vlans;           // outermost first
  std::optional<wire::IpAddress> sent_from;   // of the IP header; none when it is unspecified, or the frame is not IP
  Said said;
};

// Puts together what came in fragments: a unit that describes itself at length fills more than one frame. One thread at a time.
class SightingReader {
 public:
  // None when the frame says nothing of that kind, is damaged, or is a fragment of what is not whole yet.
  std::optional<Sighting> read(wire::Octets frame, wire::LinkLayer link, SystemTime when);

 private:
  wire::IpFragments fragments_;
};

// One frame by itself.
std::optional<Sighting> sighting_of(wire::Octets frame, wire::LinkLayer link, SystemTime when);

}  // namespace tallywire::arrivals
