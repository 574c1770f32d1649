// CaptureDecoder (draft-ietf-opsawg-pcap, draft-ietf-opsawg-pcapng). The first octet of an input chooses into which pieces
// the rest is cut; the frames and the damage must be those of the whole at once, and every frame must lie in the input.
#include "probes/wire/capture_format.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <array>
#include <optional>
#include <vector>

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

namespace {

struct Found {
  std::size_t at = 0, octets = 0;  // where in the input
  std::uint32_t original_octets = 0;
  LinkLayer link{};
  std::int64_t when_ns = 0;
  bool operator==(const Found&) const = default;
};

struct All {
  std::vector<Found> frames;
  std::optional<CaptureDamage> damage;
  FramesLost lost;
  std::vector<std::uint32_t> unknown_links;
  CaptureDecoder::Format format{};
};

// As tap::CaptureFile does it: no more than the tail is kept, and `piece` octets are added to it when more is wanted.
// The view of each turn is a copy of its own, so that a sanitizer sees a read past its end.
All decode(Octets input, std::size_t piece, std::size_t batch) {
  All out;
  CaptureDecoder decoder;
  std::array<CaptureRecord, 64> records;
  std::size_t begin = 0, end = std::min(piece, input.size());
  for (;;) {
    const std::vector<std::uint8_t> view(input.begin() + static_cast<std::ptrdiff_t>(begin),
                                         input.begin() + static_cast<std::ptrdiff_t>(end));
    const auto turn = decoder.decode(view, std::span(records).first(batch));
    require(turn.records <= batch && turn.used <= view.size(), "no more than was given");
    require(turn.wanted == 0 || turn.wanted > view.size() - turn.used, "what is wanted is not there yet");
    require(turn.wanted <= CaptureDecoder::largest_block_octets, "what is wanted has a ceiling");
    for (std::size_t i = 0; i < turn.records; ++i) {
      const auto& record = records[i];
      require(record.octets.data() >= view.data() &&
                  record.octets.data() + record.octets.size() <= view.data() + turn.used, "frames lie in the input");
      require(record.octets.size() <= CaptureDecoder::largest_frame_octets, "frames have a ceiling");
      require(record.octets.size() <= record.original_octets, "no more was captured than there was");
      out.frames.push_back({begin + static_cast<std::size_t>(record.octets.data() - view.data()), record.octets.size(),
                            record.original_octets, record.link, record.when.time_since_epoch().count()});
    }
    begin += turn.used;
    require(decoder.octets_used() == begin, "it knows where it is");
    if (decoder.damage()) break;
    if (turn.wanted == 0) {
      require(turn.records == batch, "it stops for a reason");
      continue;
    }
    if (end == input.size()) {
      decoder.end(input.subspan(begin));
      break;
    }
    end = std::min(end + piece, input.size());
  }
  require(!decoder.damage() || decoder.damage()->offset == begin, "damage is where reading ended");
  require(decoder.damage() || begin == input.size(), "all was read, or why not is told");
  out.damage = decoder.damage();
  out.lost = decoder.lost();
  out.unknown_links = decoder.unknown_links();
  out.format = decoder.format();
  return out;
}

void require_same(const All& a, const All& b) {
  require(a.frames == b.frames, "the same frames in any pieces");
  require(a.damage.has_value() == b.damage.has_value() &&
              (!a.damage || (a.damage->offset == b.damage->offset && a.damage->what == b.damage->what)),
          "the same damage in any pieces");
  require(a.lost.by_system == b.lost.by_system && a.lost.by_interface == b.lost.by_interface, "the same losses");
  require(a.unknown_links == b.unknown_links && a.format == b.format, "the same format and links");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  fuzz::Cutter cutter(data, size);
  const std::size_t piece = 1 + cutter.octet();
  const auto input = cutter.rest();
  const auto whole = decode(input, std::max<std::size_t>(input.size(), 1), 64);
  require_same(whole, decode(input, piece, 1 + piece % 5));
  // An octet more changes nothing of what was read before it.
  std::vector<std::uint8_t> longer(input.begin(), input.end());
  longer.push_back(static_cast<std::uint8_t>(piece));
  const auto more = decode(longer, longer.size(), 64);
  require(more.frames.size() >= whole.frames.size() &&
              std::equal(whole.frames.begin(), whole.frames.end(), more.frames.begin()),
          "what follows changes no frame before it");
  return 0;
}
