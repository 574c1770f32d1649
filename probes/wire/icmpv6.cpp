#include "probes/wire/icmpv6.hpp"

#include <algorithm>

namespace tallywire::wire {
namespace {

constexpr std::uint8_t next_hop_by_hop = 0, next_icmpv6 = 58, next_destination = 60;
constexpr int most_extension_headers = 4;
constexpr std::size_t most_groups = 512;  // a report in a frame of 1,500 octets has 71

enum : std::uint8_t {
  type_report = 131, type_done = 132, type_router_solicitation = 133, type_router_advertisement = 134,
  type_solicitation = 135, type_advertisement = 136, type_report_2 = 143,
};
enum : std::uint8_t { source_link_layer = 1, target_link_layer = 2 };  // options, RFC 4861 §4.6.1

IpAddress address_in(Octets octets) {
  IpAddress out;
  out.ipv6 = true;
  if (octets.size() == 16) std::copy(octets.begin(), octets.end(), out.octets.begin());
  return out;
}

bool is_unspecified(const IpAddress& address) {
  return std::all_of(address.octets.begin(), address.octets.end(), [](auto octet) { return octet == 0; });
}

bool is_link_local(const IpAddress& address) { return address.octets[0] == 0xfe && (address.octets[1] & 0xc0) == 0x80; }

// RFC 4291 §2.7.1: ff02::1:ff00:0/104.
bool is_solicited_node(const IpAddress& address) {
  static constexpr std::uint8_t prefix[] = {0xff, 2, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0xff};
  return std::equal(std::begin(prefix), std::end(prefix), address.octets.begin());
}

// RFC 4443 §2.3: over a pseudo-header and the message, 0 when right.
bool checksum_fits(Octets addresses, Octets message) {
  std::uint32_t sum = next_icmpv6 + static_cast<std::uint32_t>(message.size());
  for (const auto part : {addresses, message})
    for (std::size_t i = 0; i < part.size(); ++i) sum += static_cast<std::uint32_t>(part[i]) << (i % 2 ? 0 : 8);
  while (sum >> 16) sum = (sum & 0xffff) + (sum >> 16);
  return sum == 0xffff;
}

// The options of a discovery message; false when one of them has no length or does not fit (RFC 4861 §7.1).
bool read_options(OctetReader& in, std::uint8_t wanted, Icmpv6Message& out) {
  constexpr std::size_t unit = 8;
  while (in.left() > 0) {
    const auto type = in.u8(), units = in.u8();
    if (units == 0 || !in.ok()) return false;
    const auto value = in.take(unit * units - 2);
    if (!in.ok()) return false;
    if (type != wanted || units != 1 || out.link_layer) continue;
    out.link_layer.emplace();
    std::copy(value.begin(), value.end(), out.link_layer->octets.begin());
  }
  return in.ok();
}

// RFC 4861 §7.1.1.
bool read_solicitation(OctetReader& in, Icmpv6Message& out) {
  in.u32();
  out.target = address_in(in.take(16));
  if (!in.ok() || out.target->is_multicast() || !read_options(in, source_link_layer, out)) return false;
  if (!is_unspecified(out.source)) return true;
  out.kind = Icmpv6Kind::duplicate_detection;
  return is_solicited_node(out.destination) && !out.link_layer;
}

// RFC 4861 §7.1.2.
bool read_advertisement(OctetReader& in, Icmpv6Message& out) {
  out.kind = Icmpv6Kind::neighbour_advertisement;
  const auto flags = in.u32();
  out.is_router = flags >> 31 & 1;
  out.solicited = flags >> 30 & 1;
  out.overrides = flags >> 29 & 1;
  out.target = address_in(in.take(16));
  if (!in.ok() || out.target->is_multicast() || (out.destination.is_multicast() && out.solicited)) return false;
  return read_options(in, target_link_layer, out);
}

// RFC 4861 §6.1.1.
bool read_router_solicitation(OctetReader& in, Icmpv6Message& out) {
  out.kind = Icmpv6Kind::router_solicitation;
  in.u32();
  return in.ok() && read_options(in, source_link_layer, out) && !(is_unspecified(out.source) && out.link_layer);
}

// RFC 4861 §6.1.2.
bool read_router_advertisement(OctetReader& in, Icmpv6Message& out) {
  out.kind = Icmpv6Kind::router_advertisement;
  in.skip(12);  // hop limit, flags, lifetime, two timers
  return in.ok() && is_link_local(out.source) && read_options(in, source_link_layer, out);
}

// RFC 2710 §3.
bool read_listener(OctetReader& in, Icmpv6Kind kind, Icmpv6Message& out) {
  out.kind = kind;
  in.u32();
  const auto group = address_in(in.take(16));
  out.groups.push_back(group);
  return in.ok() && group.is_multicast();
}

// RFC 3810 §5.2.12.
bool read_listener_2(OctetReader& in, Icmpv6Message& out) {
  constexpr std::uint8_t is_include = 1, is_exclude = 2, to_include = 3, to_exclude = 4, allow = 5;
  out.kind = Icmpv6Kind::listener_report;
  in.u16();
  const auto records = in.u16();
  for (unsigned i = 0; i < records; ++i) {
    const auto type = in.u8(), more_words = in.u8();
    const auto sources = in.u16();
    const auto group = address_in(in.take(16));
    in.skip(std::size_t{sources} * 16);
    in.skip(std::size_t{more_words} * 4);
    if (!in.ok() || !group.is_multicast()) return false;
    const bool from_some = sources > 0 && (type == is_include || type == to_include || type == allow);
    const bool joined = type == is_exclude || type == to_exclude || from_some;
    const bool left = type == to_include && sources == 0;
    auto& list = left ? out.groups_left : out.groups;
    if ((joined || left) && list.size() < most_groups) list.push_back(group);
  }
  if (out.groups.empty() && !out.groups_left.empty()) {
    out.kind = Icmpv6Kind::listener_done;
    out.groups.swap(out.groups_left);
  }
  return in.ok();
}

bool read_message(std::uint8_t type, OctetReader& in, Icmpv6Message& out) {
  switch (type) {
    case type_report: return read_listener(in, Icmpv6Kind::listener_report, out);
    case type_done: return read_listener(in, Icmpv6Kind::listener_done, out);
    case type_report_2: return read_listener_2(in, out);
    case type_router_solicitation: return read_router_solicitation(in, out);
    case type_router_advertisement: return read_router_advertisement(in, out);
    case type_solicitation: return read_solicitation(in, out);
    case type_advertisement: return read_advertisement(in, out);
    default: return false;
  }
}

// Past what stands before the message; none when that is no ICMPv6. Discovery in fragments is not to be heeded (RFC 6980).
std::optional<Octets> message_in(Octets rest, std::uint8_t next) {
  for (int i = 0; next != next_icmpv6; ++i) {
    if (i == most_extension_headers || (next != next_hop_by_hop && next != next_destination)) return std::nullopt;
    OctetReader in(rest);
    next = in.u8();
    in.skip((std::size_t{in.u8()} + 1) * 8 - 2);
    if (!in.ok()) return std::nullopt;
    rest = in.take(in.left());
  }
  return rest;
}

}  // namespace

std::optional<IpAddress> Icmpv6Message::owned() const {
  if (kind == Icmpv6Kind::neighbour_advertisement) return target;
  return is_unspecified(source) ? std::nullopt : std::optional(source);
}

std::optional<Icmpv6Message> decode_icmpv6(Octets ipv6_packet) {
  constexpr std::uint8_t discovery_hops = 255, listener_hops = 1;
  OctetReader in(ipv6_packet);
  const auto version = in.u32() >> 28;
  const auto length = in.u16();
  const auto next = in.u8(), hops = in.u8();
  const auto addresses = in.take(32);
  const auto rest = in.take(length);  // what follows is the link's padding
  if (!in.ok() || version != 6) return std::nullopt;
  const auto message = message_in(rest, next);
  if (!message || message->size() < 4 || !checksum_fits(addresses, *message)) return std::nullopt;
  Icmpv6Message out;
  out.source = address_in(addresses.first(16));
  out.destination = address_in(addresses.subspan(16));
  OctetReader body(*message);
  const auto type = body.u8(), code = body.u8();
  body.u16();  // checksum
  const bool is_listener = type == type_report || type == type_done || type == type_report_2;
  if (hops != (is_listener ? listener_hops : discovery_hops) || (code != 0 && type != type_report_2)) return std::nullopt;
  if (out.source.is_multicast() || !read_message(type, body, out)) return std::nullopt;
  return out;
}

const char* name_of(Icmpv6Kind kind) {
  switch (kind) {
    case Icmpv6Kind::duplicate_detection: return "duplicate_detection";
    case Icmpv6Kind::neighbour_solicitation: return "neighbour_solicitation";
    case Icmpv6Kind::neighbour_advertisement: return "neighbour_advertisement";
    case Icmpv6Kind::router_solicitation: return "router_solicitation";
    case Icmpv6Kind::router_advertisement: return "router_advertisement";
    case Icmpv6Kind::listener_report: return "listener_report";
    case Icmpv6Kind::listener_done: return "listener_done";
  }
  return "unknown";
}

}  // namespace tallywire::wire
