#include "probes/wire/ethernet.hpp"

#include <algorithm>

namespace tallywire::wire {

std::optional<EthernetFrame> decode_ethernet(Octets frame) {
  OctetReader in(frame);
  EthernetFrame out;
  const auto destination = in.take(6), source = in.take(6);
  out.ether_type = in.u16();
  while (in.ok() && is_vlan_type(out.ether_type)) {
    if (out.vlans.size() == most_vlan_tags) return std::nullopt;
    out.vlans.push_back(in.u16() & 0x0fff);
    out.ether_type = in.u16();
  }
  if (!in.ok()) return std::nullopt;
  std::copy(destination.begin(), destination.end(), out.destination.octets.begin());
  std::copy(source.begin(), source.end(), out.source.octets.begin());
  out.payload = in.take(in.left());
  return out;
}

}  // namespace tallywire::wire
