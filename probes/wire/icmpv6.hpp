// What IPv6 units say of themselves before anyone asks: neighbour discovery (RFC 4861) with duplicate-address detection
// (RFC 4862 §5.4), router advertisements, and multicast listener reports (RFC 2710, RFC 3810).
#pragma once

#include "probes/wire/datagram.hpp"
#include "probes/wire/mac_address.hpp"
#include "probes/wire/octets.hpp"

#include <cstdint>
#include <optional>
#include <vector>

namespace tallywire::wire {

enum class Icmpv6Kind : std::uint8_t {
  duplicate_detection,     // a solicitation from "::": `target` is wanted, not yet owned
  neighbour_solicitation,
  neighbour_advertisement,
  router_solicitation,
  router_advertisement,
  listener_report,         // MLD 1 and 2: `groups` joined, or still listened to
  listener_done,           // MLD 1, or a report of MLD 2 that tells of nothing else: `groups` left
};

struct Icmpv6Message {
  Icmpv6Kind kind = Icmpv6Kind::neighbour_solicitation;
  IpAddress source, destination;              // of the IPv6 header
  std::optional<IpAddress> target;            // of a solicitation or advertisement
  std::optional<MacAddress> link_layer;       // the sender's: option 1, of a neighbour advertisement option 2
  std::vector<IpAddress> groups;              // of a listener report or done, at most 512
  std::vector<IpAddress> groups_left;         // of a report that tells of groups joined and left
  bool is_router = false, solicited = false, overrides = false;  // flags of a neighbour advertisement

  // The address that the sender says it owns: the source; of an advertisement the target. None while it is only wanted.
  std::optional<IpAddress> owned() const;
  bool operator==(const Icmpv6Message&) const = default;
};

// An IPv6 packet, from its header on, hop-by-hop and destination options passed over. None for anything else, for a hop limit
// that shows that a router forwarded it (255 for discovery, 1 for listener reports), a length that does not fit, a wrong
// checksum, and what a receiver has to drop (RFC 4861 §6.1, §7.1).
std::optional<Icmpv6Message> decode_icmpv6(Octets ipv6_packet);

const char* name_of(Icmpv6Kind kind);  // "duplicate_detection"

}  // namespace tallywire::wire
