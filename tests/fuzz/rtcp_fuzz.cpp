// decode_rtcp, and a receiver report there and back (RFC 3550 §6.4).
#include "probes/wire/rtcp.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <vector>

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

namespace {

bool same(const ReportBlock& a, const ReportBlock& b) {
  return a.ssrc == b.ssrc && a.fraction_lost == b.fraction_lost && a.cumulative_lost == b.cumulative_lost &&
         a.extended_highest == b.extended_highest && a.jitter == b.jitter && a.last_sr == b.last_sr &&
         a.delay_since_sr == b.delay_since_sr;
}

std::size_t octets_told(const RtcpCompound& compound) {
  std::size_t out = 4 * compound.goodbyes.size();
  for (const auto& report : compound.sender_reports) out += 28 + 24 * report.reports.size();
  for (const auto& report : compound.receiver_reports) out += 8 + 24 * report.reports.size();
  return out;
}

void check_blocks(const std::vector<ReportBlock>& blocks) {
  require(blocks.size() <= 31, "a count has five bits (§6.4.1)");
  for (const auto& block : blocks) {
    require(block.cumulative_lost >= -0x800000 && block.cumulative_lost <= 0x7fffff, "lost packets have 24 bits");
    const auto octets = encode_receiver_report(0x7a11, block, "fuzz");
    require(octets.size() % 4 == 0, "packets are padded to 32 bits (§6.4)");
    const auto back = decode_rtcp(octets);
    require(back && back->receiver_reports.size() == 1 && back->receiver_reports[0].ssrc == 0x7a11 &&
                back->receiver_reports[0].reports.size() == 1 && same(back->receiver_reports[0].reports[0], block),
            "a receiver report comes back as it went");
  }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const Octets octets(data, size);
  const auto compound = decode_rtcp(octets);
  if (compound) {
    require(octets_told(*compound) <= size, "no report without its octets");
    for (const auto& report : compound->sender_reports) check_blocks(report.reports);
    for (const auto& report : compound->receiver_reports) check_blocks(report.reports);
    // A compound packet is packets one after another (§6.1): twice the octets, twice the reports.
    std::vector<std::uint8_t> twice(octets.begin(), octets.end());
    twice.insert(twice.end(), octets.begin(), octets.end());
    const auto both = decode_rtcp(twice);
    require(both && octets_told(*both) == 2 * octets_told(*compound), "packets follow each other");
  }
  const std::string name(fuzz::text_of(octets).substr(0, 300));
  require(decode_rtcp(encode_receiver_report(1, {}, name.c_str())).has_value(), "any name fits into the description");
  return 0;
}
