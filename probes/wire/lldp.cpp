#include "probes/wire/lldp.hpp"

#include "probes/wire/arp.hpp"
#include "probes/wire/mac_address.hpp"
#include "probes/wire/printable.hpp"

#include <algorithm>
#include <cstdio>

namespace tallywire::wire {
namespace {

std::string mac_text(Octets octets) {
  if (octets.size() != 6) return printable(octets);
  MacAddress mac;
  std::copy(octets.begin(), octets.end(), mac.octets.begin());
  return mac.text();
}

// One octet of IANA address family, then the address: 1 is IPv4, 2 IPv6.
std::string network_text(Octets octets) {
  if (octets.size() == 5 && octets[0] == 1) return text_of(Ipv4{octets[1], octets[2], octets[3], octets[4]});
  if (octets.size() != 17 || octets[0] != 2) return "unknown address family";
  std::string out;
  for (std::size_t i = 1; i < 17; i += 2) {
    char group[8];
    std::snprintf(group, sizeof group, "%s%x", i == 1 ? "" : ":", octets[i] << 8 | octets[i + 1]);
    out += group;
  }
  return out;
}

// Subtypes of IEEE 802.1AB §8.5.2 and §8.5.3: which ones are addresses differs between the two.
std::string id_text(Octets value, unsigned mac_subtype, unsigned network_subtype) {
  if (value.empty()) return {};
  if (value[0] == mac_subtype) return mac_text(value.subspan(1));
  if (value[0] == network_subtype) return network_text(value.subspan(1));
  return printable(value.subspan(1));
}

std::optional<LldpMacPhy> read_mac_phy(OctetReader in) {
  LldpMacPhy out;
  const auto status = in.u8();
  out.negotiation_supported = status & 1;
  out.negotiation_enabled = status & 2;
  out.advertised = in.u16();
  out.mau_type = in.u16();
  return in.ok() ? std::optional(out) : std::nullopt;
}

double watts(std::uint16_t tenths) { return tenths / 10.0; }

std::optional<LldpPower> read_power(OctetReader in) {
  LldpPower out;
  const auto support = in.u8();
  out.is_source = support & 1;
  out.supported = support & 2;
  out.enabled = support & 4;
  in.u8();  // pairs
  const auto power_class = in.u8();
  if (!in.ok() || power_class == 0) return std::nullopt;
  out.power_class = static_cast<std::uint8_t>(power_class - 1);
  if (in.left() < 5) return out;  // the form of 802.1AB-2005 Annex G
  in.u8();                        // type, source, priority
  out.requested_w = watts(in.u16());
  out.allocated_w = watts(in.u16());
  if (in.left() < 17) return out;  // IEEE 802.3at
  in.skip(8);                      // per pairset, dual signature
  out.extended_class = static_cast<std::uint8_t>(in.u16() & 0x0f);
  in.u8();
  out.maximum_w = watts(in.u16());
  return in.ok() ? std::optional(out) : std::nullopt;
}

void read_organisation(Octets value, LldpNeighbour& out) {
  OctetReader in(value);
  const auto organisation = in.u24();
  const auto subtype = in.u8();
  if (!in.ok() || organisation != 0x00120f) return;
  if (subtype == 1) out.mac_phy = read_mac_phy(in);
  if (subtype == 2) out.power = read_power(in);
}

void read_management(Octets value, LldpNeighbour& out) {
  OctetReader in(value);
  const auto address = in.take(in.u8());
  if (in.ok() && out.management_address.empty()) out.management_address = network_text(address);
}

void read_capabilities(Octets value, LldpNeighbour& out) {
  OctetReader in(value);
  const auto has = in.u16(), enabled = in.u16();
  if (!in.ok()) return;
  out.capabilities = has;
  out.enabled_capabilities = enabled;
}

}  // namespace

std::optional<LldpNeighbour> decode_lldp(Octets payload) {
  LldpNeighbour out;
  OctetReader in(payload);
  bool lived = false;
  for (int index = 0; in.left() > 0; ++index) {
    const auto head = in.u16();
    const unsigned type = head >> 9;
    const auto value = in.take(head & 0x1ff);
    if (!in.ok()) return std::nullopt;
    if (type == 0) break;
    // §9.2.7.7: chassis, port and time to live come first, in this order.
    if (index < 3 && type != static_cast<unsigned>(index) + 1) return std::nullopt;
    switch (type) {
      case 1: out.chassis_id = id_text(value, 4, 5); break;
      case 2: out.port_id = id_text(value, 3, 4); break;
      case 3: {
        OctetReader time(value);
        out.time_to_live_s = time.u16();
        if (!time.ok()) return std::nullopt;
        lived = true;
        break;
      }
      case 4: out.port_description = printable(value); break;
      case 5: out.system_name = printable(value); break;
      case 6: out.system_description = printable(value); break;
      case 7: read_capabilities(value, out); break;
      case 8: read_management(value, out); break;
      case 127: read_organisation(value, out); break;
      default: break;
    }
  }
  if (!lived || out.chassis_id.empty() || out.port_id.empty()) return std::nullopt;
  return out;
}

}  // namespace tallywire::wire
