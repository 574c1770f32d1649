// decode_icmpv6: the octets as they are, and as the body of a packet whose lengths and checksum fit (RFC 4443 §2.3), since
// no random octets get past those.
#include "probes/wire/icmpv6.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <algorithm>
#include <vector>

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

namespace {

void check(const Icmpv6Message& found, std::size_t size) {
  require(std::string(name_of(found.kind)) != "unknown", "one of the kinds");
  const auto groups = found.groups.size() + found.groups_left.size();
  require(groups * 16 <= size && found.groups.size() <= 512 && found.groups_left.size() <= 512, "no group without its octets");
  for (const auto* list : {&found.groups, &found.groups_left})
    for (const auto& group : *list) require(group.is_multicast(), "groups are groups");
  const bool wanted = found.kind == Icmpv6Kind::duplicate_detection;
  require(!wanted || (!found.owned() && found.target && !found.link_layer), "what is wanted is not owned (RFC 4862 §5.4)");
  if (const auto owned = found.owned()) require(owned->ipv6 && !owned->is_multicast(), "a group is nobody's own");
}

std::vector<std::uint8_t> packet_of(fuzz::Cutter in) {
  const auto choice = in.octet();
  const bool listener = choice & 1, from_nobody = choice & 2;
  std::vector<std::uint8_t> out = {0x60, 0, 0, 0, 0, 0, static_cast<std::uint8_t>(listener ? 0 : 58),
                                   static_cast<std::uint8_t>(listener ? 1 : 255)};
  const auto source = in.take(from_nobody ? 0 : 16), destination = in.take(16);
  for (const auto part : {source, destination}) {
    out.insert(out.end(), part.begin(), part.end());
    out.resize(out.size() + 16 - part.size());
  }
  if (listener) out.insert(out.end(), {58, 0, 5, 2, 0, 0, 1, 0});
  const auto message_at = out.size();
  const auto rest = in.rest();
  out.insert(out.end(), rest.begin(), rest.end());
  out.resize(std::max(out.size(), message_at + 4));
  const auto length = out.size() - 40;
  out[4] = static_cast<std::uint8_t>(length >> 8);
  out[5] = static_cast<std::uint8_t>(length);
  out[message_at + 2] = out[message_at + 3] = 0;
  std::uint32_t sum = 58 + static_cast<std::uint32_t>(out.size() - message_at);
  for (std::size_t i = 8; i < 40; ++i) sum += static_cast<std::uint32_t>(out[i]) << (i % 2 ? 0 : 8);
  for (std::size_t i = message_at; i < out.size(); ++i) sum += static_cast<std::uint32_t>(out[i]) << ((i - message_at) % 2 ? 0 : 8);
  while (sum > 0xffff) sum = (sum & 0xffff) + (sum >> 16);
  out[message_at + 2] = static_cast<std::uint8_t>(~sum >> 8);
  out[message_at + 3] = static_cast<std::uint8_t>(~sum);
  return out;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (const auto found = decode_icmpv6({data, size})) check(*found, size);
  if (size > 60000) return 0;
  auto packet = packet_of({data, size});
  const auto found = decode_icmpv6(packet);
  if (!found) return 0;
  check(*found, packet.size());
  const auto whole = packet.size();
  packet.resize(whole + 6);
  require(decode_icmpv6(packet) == found, "what follows is the link's padding");
  packet.resize(whole);
  require(!decode_icmpv6(Octets(packet).first(whole - 1)), "a packet that was cut is refused");
  packet[whole - 1] ^= 1;
  require(!decode_icmpv6(packet), "the checksum is looked at");
  return 0;
}
