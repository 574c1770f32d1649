// read_stamp on what a peer sends, and made-up packets there and back (RFC 3550 §5.1, RFC 6184 §5.8).
#include "probes/path/rehearsal_packets.hpp"
#include "probes/wire/rtp.hpp"
#include "tests/fuzz/fuzz.hpp"

using namespace tallywire;
using fuzz::require;

namespace {

void check_round_trip(const path::MadeUpPacket& packet) {
  std::array<std::uint8_t, path::made_up_header_octets> head{};
  const auto length = path::write_head(packet, head);
  require(length <= head.size(), "a head has its room");
  const auto back = wire::decode_rtp(wire::Octets(head.data(), length));
  require(back && back->sequence == packet.sequence && back->ssrc == packet.ssrc && back->timestamp == packet.rtp_time && back->marker == packet.last,
          "the RTP header comes back as it went");
  const auto stamp = path::read_stamp(back->payload);
  require(stamp && stamp->due_us == packet.stamp.due_us && stamp->step == packet.stamp.step && stamp->key == packet.stamp.key,
          "the stamp comes back as it went");
  for (std::size_t at = path::rtp_header_octets; at + 1 < length; ++at)
    require(head[at] != 0 || head[at + 1] != 0, "no start code comes about");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const wire::Octets octets(data, size);
  if (const auto stamp = path::read_stamp(octets)) {
    path::MadeUpPacket packet;
    packet.stamp = *stamp;
    check_round_trip(packet);
    require(!path::read_stamp(octets.first(std::min<std::size_t>(size, 12))), "no stamp without its octets");
  }
  fuzz::Cutter cut(data, size);
  path::MadeUpPacket packet;
  packet.ssrc = static_cast<std::uint32_t>(cut.number(4));
  packet.rtp_time = static_cast<std::uint32_t>(cut.number(4));
  packet.sequence = static_cast<std::uint16_t>(cut.number(2));
  const auto flags = cut.octet();
  packet.first = (flags & 1) != 0;
  packet.last = (flags & 2) != 0;
  packet.in_gop = cut.octet();
  packet.stamp = {static_cast<std::uint32_t>(cut.number(4)), cut.octet(), (flags & 4) != 0};
  check_round_trip(packet);
  const int width = static_cast<int>(cut.number(2)), height = static_cast<int>(cut.number(2));
  const auto sets = path::parameter_sets_of(width, height);
  require(sets.size() <= path::most_parameter_set_octets, "parameter sets have their ceiling");
  require(!path::read_stamp(sets), "parameter sets have no stamp");
  return 0;
}
