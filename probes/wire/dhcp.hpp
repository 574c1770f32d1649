// DHCP for IPv4 (RFC 2131) with the options that say who asks and who answers (RFC 2132, RFC 3046, RFC 4702), split or in the
// fields for names where there are many (RFC 3396). Addresses as octets, times in seconds.
#pragma once

#include "probes/wire/arp.hpp"
#include "probes/wire/mac_address.hpp"
#include "probes/wire/octets.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::wire {

inline constexpr std::uint16_t dhcp_server_port = 67, dhcp_client_port = 68;

// The numbers of option 53 (RFC 2132 §9.6).
enum class DhcpKind : std::uint8_t { discover = 1, offer, request, decline, ack, nak, release, inform };

struct DhcpMessage {
  bool from_client = false;                    // op: BOOTREQUEST
  DhcpKind kind = DhcpKind::discover;
  std::uint32_t transaction = 0;               // xid
  std::uint16_t seconds_tried = 0;             // secs
  MacAddress client;                           // chaddr
  std::optional<Ipv4> client_address;          // ciaddr; none when zero, as the next three
  std::optional<Ipv4> your_address;            // yiaddr
  std::optional<Ipv4> relay_address;           // giaddr: the frame's source is then the relay's
  std::optional<Ipv4> requested_address;       // option 50
  std::optional<Ipv4> server;                  // option 54
  std::optional<Ipv4> subnet_mask;             // option 1
  std::vector<Ipv4> routers;                   // option 3
  std::optional<std::uint32_t> lease_s;        // option 51
  std::string host_name;                       // option 12, printable
  std::string full_name;                       // option 81 (RFC 4702), printable: the name with its domain
  std::string vendor_class;                    // option 60, printable
  std::vector<std::uint8_t> client_id;         // option 61 with its type
  std::vector<std::uint8_t> asked_options;     // option 55, in order
  std::string circuit_id, remote_id;           // option 82, printable; octets that are no text as pairs, "00:0a"
  bool operator==(const DhcpMessage&) const = default;
};

// The payload of a UDP datagram of ports 67 and 68. None when it is no DHCP (a plain BOOTP has no option 53), one of the
// kinds after inform, when an option does not fit, or when the client's hardware is neither Ethernet nor IEEE 802. A value
// that is too short for its option is as if it were not there.
std::optional<DhcpMessage> decode_dhcp(Octets payload);

const char* name_of(DhcpKind kind);  // "discover"

}  // namespace tallywire::wire
