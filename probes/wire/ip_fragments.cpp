#include "probes/wire/ip_fragments.hpp"

#include <algorithm>

namespace tallywire::wire {

IpFragments::Parts& IpFragments::find(const Fragment& fragment, std::chrono::nanoseconds at) {
  const auto too_old = [at](const Parts& p) { return at - p.since > patience; };
  given_up_ += std::erase_if(parts_, too_old);
  const auto same = [&](const Parts& p) {
    return p.identification == fragment.identification && p.protocol == fragment.protocol && p.ipv6 == fragment.ipv6 &&
           p.addresses == fragment.addresses;
  };
  if (const auto found = std::find_if(parts_.begin(), parts_.end(), same); found != parts_.end()) return *found;
  if (parts_.size() == most_datagrams) {
    parts_.erase(parts_.begin());  // they stand in the order in which they began
    ++given_up_;
  }
  auto& parts = parts_.emplace_back();
  parts.addresses = fragment.addresses;
  parts.ipv6 = fragment.ipv6;
  parts.identification = fragment.identification;
  parts.protocol = fragment.protocol;
  parts.since = at;
  return parts;
}

// False when it contradicts what came before. A piece that came twice counts once, the first stays.
bool IpFragments::put(Parts& parts, const Fragment& fragment) {
  const std::size_t end = std::size_t{fragment.offset_octets} + fragment.octets_told;
  if (end > most_octets || fragment.octets_told == 0) return false;
  if (fragment.more && fragment.octets_told % unit != 0) return false;
  if (!fragment.more) {
    if (parts.octets_in_all != 0 && parts.octets_in_all != end) return false;
    parts.octets_in_all = static_cast<std::uint32_t>(end);
  }
  if (parts.octets_in_all != 0 && end > parts.octets_in_all) return false;
  const std::size_t first = fragment.offset_octets / unit, last = (end + unit - 1) / unit;
  if (parts.here[first]) return true;
  for (auto i = first; i < last; ++i) parts.here[i] = true;
  if (parts.octets.size() < end) parts.octets.resize(end);
  std::copy(fragment.data.begin(), fragment.data.end(), parts.octets.begin() + static_cast<std::ptrdiff_t>(fragment.offset_octets));
  // Of a capture that cut its frames only the head can be looked at.
  const bool is_cut = fragment.data.size() < fragment.octets_told;
  const auto captured_end = fragment.offset_octets + static_cast<std::uint32_t>(fragment.data.size());
  if (is_cut) parts.captured_head = std::min(parts.captured_head == 0 ? captured_end : parts.captured_head, captured_end);
  return true;
}

bool IpFragments::add(const Fragment& fragment, std::uint32_t ethernet_octets, std::chrono::nanoseconds at, Datagram& out) {
  auto& parts = find(fragment, at);
  const auto drop = [&] { parts_.erase(parts_.begin() + (&parts - parts_.data())); };
  if (!put(parts, fragment)) {
    drop();
    ++given_up_;
    return false;
  }
  parts.ethernet_octets += ethernet_octets;
  ++parts.frames;
  if (parts.octets_in_all == 0 || parts.here.count() < (parts.octets_in_all + unit - 1) / unit) return false;
  whole_ = std::move(parts.octets);
  const auto addresses = parts.addresses;
  const bool ipv6 = parts.ipv6;
  const auto protocol = parts.protocol;
  const auto in_all = parts.octets_in_all;
  const auto captured = parts.captured_head == 0 ? in_all : parts.captured_head;
  out.ethernet_octets = parts.ethernet_octets;
  out.frames = parts.frames;
  drop();
  decode_transport(addresses, ipv6, protocol, Octets(whole_).first(captured), in_all, out);
  return true;
}

}  // namespace tallywire::wire
