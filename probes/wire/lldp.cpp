#include "probes/wire/lldp.hpp"

#include "probes/wire/datagram.hpp"
#include "probes/wire/printable.hpp"

#include <algorithm>

namespace tallywire::wire {
namespace {

constexpr std::size_t most_management = 16;

// One octet of IANA address family, then the address: 1 is IPv4, 2 IPv6, 6 a hardware address. Others as pairs, family first.
std::string network_text(Octets octets) {
  if (octets.empty()) return {};
  IpAddress address;
  const auto rest = octets.subspan(1);
  if ((octets[0] == 1 && rest.size() == 4) || (octets[0] == 2 && rest.size() == 16)) {
    address.ipv6 = octets[0] == 2;
    std::copy(rest.begin(), rest.end(), address.octets.begin());
    return address.text();
  }
  return octets[0] == 6 ? octet_pairs(rest) : octet_pairs(octets);
}

// Subtypes of IEEE 802.1AB §8.5.2 and §8.5.3: which ones are addresses differs between the two.
void read_id(Octets value, unsigned mac_subtype, unsigned network_subtype, std::uint8_t& subtype, std::string& id) {
  if (value.empty()) return;
  subtype = value[0];
  const auto octets = value.subspan(1);
  if (subtype == mac_subtype && octets.size() == 6)
    id = octet_pairs(octets);
  else if (subtype == network_subtype)
    id = network_text(octets);
  else
    id = printable_or_pairs(octets);
}

void read_management(Octets value, LldpNeighbour& out) {
  OctetReader in(value);
  const auto address = in.take(in.u8());
  if (!in.ok() || address.empty() || out.management.size() == most_management) return;
  LldpManagement entry{network_text(address), in.u8(), 0};
  entry.interface = in.u32();  // the object identifier that follows is of no use here
  if (!in.ok()) return;
  if (out.management.empty()) out.management_address = entry.address;
  out.management.push_back(std::move(entry));
}

void read_capabilities(Octets value, LldpNeighbour& out) {
  OctetReader in(value);
  const auto has = in.u16(), enabled = in.u16();
  if (!in.ok()) return;
  out.capabilities = has;
  out.enabled_capabilities = enabled;
}

// False when a mandatory TLV is too short.
bool read_tlv(unsigned type, Octets value, LldpNeighbour& out) {
  switch (type) {
    case 1: read_id(value, 4, 5, out.chassis_subtype, out.chassis_id); return !out.chassis_id.empty();
    case 2: read_id(value, 3, 4, out.port_subtype, out.port_id); return !out.port_id.empty();
    case 3: {
      OctetReader time(value);
      out.time_to_live_s = time.u16();
      return time.ok();
    }
    case 4: out.port_description = printable(value); break;
    case 5: out.system_name = printable(value); break;
    case 6: out.system_description = printable(value); break;
    case 7: read_capabilities(value, out); break;
    case 8: read_management(value, out); break;
    case 127: read_lldp_organisation(value, out); break;
    default: break;
  }
  return true;
}

}  // namespace

std::optional<LldpNeighbour> decode_lldp(Octets payload) {
  constexpr unsigned mandatory = 3;  // chassis, port and time to live: first, in this order, and once
  LldpNeighbour out;
  OctetReader in(payload);
  bool whole = false;
  for (unsigned index = 1; in.left() > 0; ++index) {
    const auto head = in.u16();
    const unsigned type = head >> 9;
    const auto value = in.take(head & 0x1ff);
    if (!in.ok()) return std::nullopt;
    if (type == 0) break;
    if ((index <= mandatory || type <= mandatory) && type != index) return std::nullopt;
    if (!read_tlv(type, value, out)) return std::nullopt;
    if (type == mandatory) whole = true;
  }
  if (!whole) return std::nullopt;
  return out;
}

}  // namespace tallywire::wire
