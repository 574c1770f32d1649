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

  bool operator==(const Sighting&) const = default;
};

// None when the frame says nothing of that kind, or is damaged. What comes in fragments is not heard.
std::optional<Sighting> sighting_of(wire::Octets frame, wire::LinkLayer link, SystemTime when);

// The same for a row of frames, in order: what came in fragments is put together first, as a WS-Discovery answer with many
// scopes does, and is told with its last piece. At most 4 MiB; one thread at a time.
class SightingReader {
 public:
  std::optional<Sighting> add(wire::Octets frame, wire::LinkLayer link, SystemTime when);

 private:
  wire::IpFragments fragments_;
};

}  // namespace tallywire::arrivals
