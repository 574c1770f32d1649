// decode_udp_packet and what counts its packets: the octets as they are, and pieces of them behind the right token, since no random
// octets get past that.
#include "probes/path/train_counter.hpp"
#include "probes/path/udp_packet.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

using namespace tallywire;
using namespace tallywire::path;
using fuzz::require;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const auto token = udp_token("0123456789abcdef", "00112233");
  static_cast<void>(decode_udp_packet({data, size}, token));
  fuzz::Cutter in(data, size);
  TrainCounter counter;
  std::int64_t now_ns = 0;
  while (!in.empty()) {
    std::vector<std::uint8_t> octets(token.begin(), token.end());
    // The trial's size is kept small but for one in 16: each new trial makes room for it.
    const auto step = in.octet();
    auto body = in.take(udp_head_octets - token.size());
    octets.insert(octets.end(), body.begin(), body.end());
    if (octets.size() == udp_head_octets && step % 16 != 0) std::fill_n(octets.begin() + 24, 2, std::uint8_t{0});
    const auto packet = decode_udp_packet(octets, token);
    require(!packet || octets.size() >= udp_head_octets, "no packet without its head");
    if (!packet) continue;
    auto bent = octets;
    bent[step % token.size()] ^= 1;
    require(!decode_udp_packet(bent, token), "a stranger's packet counts nowhere");
    std::vector<std::uint8_t> again(udp_head_octets);
    encode_udp_head(*packet, token, again.data());
    const auto twice = decode_udp_packet(again, token);
    require(twice && twice->kind == packet->kind && twice->trial == packet->trial && twice->sequence == packet->sequence &&
                twice->packets == packet->packets && twice->sent_ns == packet->sent_ns,
            "what was decoded is encoded alike");
    if (packet->kind != UdpKind::train) continue;
    now_ns += step * 1000;
    counter.add(*packet, now_ns);
    const auto& count = counter.count();
    require(count.received >= 1 && count.received <= count.packets && count.packets <= most_trial_packets, "no more came than was sent");
    require(!count.arrival_packets_per_s || (std::isfinite(*count.arrival_packets_per_s) && *count.arrival_packets_per_s > 0), "a rate is one");
  }
  return 0;
}
