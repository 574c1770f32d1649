// sighting_of: one frame says the same over every link layer that carries it.
#include "probes/arrivals/sighting.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <initializer_list>
#include <vector>

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

namespace {

constexpr SystemTime when{};

bool same(const arrivals::Sighting& a, const arrivals::Sighting& b) {
  return a.source == b.source && a.sent_from == b.sent_from && a.said == b.said;
}

std::vector<std::uint8_t> joined(std::initializer_list<Octets> parts) {
  std::vector<std::uint8_t> out;
  for (const auto part : parts) out.insert(out.end(), part.begin(), part.end());
  return out;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const Octets frame(data, size);
  for (const auto link : {LinkLayer::linux_cooked, LinkLayer::linux_cooked_v2, LinkLayer::raw_ip, LinkLayer::null_loopback})
    static_cast<void>(arrivals::sighting_of(frame, link, when));
  require(!arrivals::sighting_of(frame, LinkLayer::unknown, when), "nothing is made of what is not known");
  const auto found = arrivals::sighting_of(frame, LinkLayer::ethernet, when);
  arrivals::SightingReader reader;
  const auto first_time = reader.add(frame, LinkLayer::ethernet, when);
  require(!found || first_time == found, "what comes whole needs no other frame");
  require(found || reader.add(frame, LinkLayer::ethernet, when) == first_time, "a fragment that comes twice is one");
  if (!found) return 0;
  require(found->vlans.size() <= 8, "no more tags than the limit");
  if (found->sent_from) require(found->sent_from->octets != IpAddress{}.octets, "nobody is no sender");
  const auto head = frame.first(12), source = frame.subspan(6, 6), rest = frame.subspan(12);
  if (found->vlans.size() < 8) {
    static constexpr std::uint8_t tag[] = {0x81, 0x00, 0x60, 0x0a};
    const auto tagged = arrivals::sighting_of(joined({head, tag, rest}), LinkLayer::ethernet, when);
    require(tagged && same(*tagged, *found) && tagged->vlans.size() == found->vlans.size() + 1 && tagged->vlans[0] == 10,
            "behind a tag it says the same");
  }
  static constexpr std::uint8_t cooked[] = {0, 1, 0, 1, 0, 6}, cooked_2[] = {0, 0, 0, 0, 0, 3, 0, 1, 1, 6}, filling[] = {0, 0};
  const auto first = arrivals::sighting_of(joined({cooked, source, filling, rest}), LinkLayer::linux_cooked, when);
  require(first && same(*first, *found) && first->vlans == found->vlans, "Linux cooked says the same");
  const auto second = arrivals::sighting_of(joined({rest.first(2), cooked_2, source, filling, rest.subspan(2)}),
                                            LinkLayer::linux_cooked_v2, when);
  require(second && same(*second, *found) && second->vlans == found->vlans, "the second version says the same");
  return 0;
}
