#include "probes/wire/dhcp.hpp"

#include "probes/wire/printable.hpp"

#include <algorithm>
#include <map>

namespace tallywire::wire {
namespace {

constexpr std::uint32_t cookie = 0x63825363;                          // RFC 2132 §2
constexpr std::uint8_t hardware_ethernet = 1, hardware_ieee_802 = 6;  // ARP's numbers: both have six octets
constexpr std::uint8_t request = 1, reply = 2;                        // op

enum : std::uint8_t {
  option_pad = 0, option_mask = 1, option_routers = 3, option_host_name = 12, option_address = 50, option_lease = 51,
  option_overload = 52, option_kind = 53, option_server = 54, option_asked = 55, option_vendor_class = 60,
  option_client_id = 61, option_full_name = 81, option_relay = 82, option_end = 255,
};

// The values of one code stand one after the other, as if they had been one option (RFC 3396 §7).
using Options = std::map<std::uint8_t, std::vector<std::uint8_t>>;

// False when an option does not fit. The end option may be missing where the field is full.
bool read_options(Octets field, Options& out) {
  OctetReader in(field);
  while (in.left() > 0) {
    const auto code = in.u8();
    if (code == option_end) return true;
    if (code == option_pad) continue;
    const auto value = in.take(in.u8());
    if (!in.ok()) return false;
    auto& all = out[code];
    all.insert(all.end(), value.begin(), value.end());
  }
  return in.ok();
}

// RFC 2132 §9.3: the fields for names may hold options too. Their order: RFC 3396 §5.
bool read_all_options(Octets field, Octets file, Octets server_name, Options& out) {
  if (!read_options(field, out)) return false;
  const auto overload = out.find(option_overload);
  if (overload == out.end() || overload->second.empty()) return true;
  const auto where = overload->second[0];
  return (!(where & 1) || read_options(file, out)) && (!(where & 2) || read_options(server_name, out));
}

std::optional<Ipv4> address_in(Octets octets) {
  if (octets.size() < 4) return std::nullopt;
  Ipv4 out;
  std::copy_n(octets.begin(), 4, out.begin());
  return out == Ipv4{} ? std::nullopt : std::optional(out);
}

Octets value_of(const Options& options, std::uint8_t code) {
  const auto found = options.find(code);
  return found == options.end() ? Octets{} : Octets(found->second);
}

void read_relay(Octets value, DhcpMessage& out) {
  OctetReader in(value);
  while (in.left() > 0) {
    const auto code = in.u8();
    const auto octets = in.take(in.u8());
    if (!in.ok()) return;
    if (code == 1) out.circuit_id = printable_or_pairs(octets);
    if (code == 2) out.remote_id = printable_or_pairs(octets);
  }
}

// RFC 4702 §2: flags, two codes that are no longer used, then the name: in labels where the flag E is set.
std::string full_name(Octets value) {
  if (value.size() < 3) return {};
  constexpr std::uint8_t in_labels = 4;
  if (!(value[0] & in_labels)) return printable(value.subspan(3));
  OctetReader in(value.subspan(3));
  std::string out;
  while (in.left() > 0) {
    const auto length = in.u8();
    const auto label = in.take(length);
    if (length == 0 || length > 63 || !in.ok()) break;
    if (!out.empty()) out += '.';
    out += printable(label);
  }
  return out;
}

void read_values(const Options& options, DhcpMessage& out) {
  const auto value = [&](std::uint8_t code) { return value_of(options, code); };
  const auto octets = [&](std::uint8_t code) { return std::vector(value(code).begin(), value(code).end()); };
  out.requested_address = address_in(value(option_address));
  out.server = address_in(value(option_server));
  out.subnet_mask = address_in(value(option_mask));
  for (auto routers = value(option_routers); routers.size() >= 4; routers = routers.subspan(4))
    if (const auto router = address_in(routers)) out.routers.push_back(*router);
  if (OctetReader lease(value(option_lease)); lease.left() >= 4) out.lease_s = lease.u32();
  out.host_name = printable(value(option_host_name));
  out.full_name = full_name(value(option_full_name));
  out.vendor_class = printable(value(option_vendor_class));
  out.client_id = octets(option_client_id);
  out.asked_options = octets(option_asked);
  read_relay(value(option_relay), out);
}

}  // namespace

std::optional<DhcpMessage> decode_dhcp(Octets payload) {
  OctetReader in(payload);
  DhcpMessage out;
  const auto op = in.u8(), hardware = in.u8(), hardware_octets = in.u8();
  in.u8();  // hops
  out.transaction = in.u32();
  out.seconds_tried = in.u16();
  in.u16();  // flags
  out.client_address = address_in(in.take(4));
  out.your_address = address_in(in.take(4));
  in.skip(4);  // siaddr
  out.relay_address = address_in(in.take(4));
  const auto client = in.take(16), server_name = in.take(64), file = in.take(128);
  if (in.u32() != cookie || !in.ok() || (op != request && op != reply)) return std::nullopt;
  if ((hardware != hardware_ethernet && hardware != hardware_ieee_802) || hardware_octets != 6) return std::nullopt;
  out.from_client = op == request;
  std::copy_n(client.begin(), 6, out.client.octets.begin());
  Options options;
  if (!read_all_options(in.take(in.left()), file, server_name, options)) return std::nullopt;
  const auto kind = value_of(options, option_kind);
  if (kind.empty() || kind[0] < 1 || kind[0] > 8) return std::nullopt;
  out.kind = static_cast<DhcpKind>(kind[0]);
  read_values(options, out);
  return out;
}

const char* name_of(DhcpKind kind) {
  switch (kind) {
    case DhcpKind::discover: return "discover";
    case DhcpKind::offer: return "offer";
    case DhcpKind::request: return "request";
    case DhcpKind::decline: return "decline";
    case DhcpKind::ack: return "ack";
    case DhcpKind::nak: return "nak";
    case DhcpKind::release: return "release";
    case DhcpKind::inform: return "inform";
  }
  return "unknown";
}

}  // namespace tallywire::wire
