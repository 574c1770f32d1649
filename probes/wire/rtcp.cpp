#include "probes/wire/rtcp.hpp"

#include <cstring>

namespace tallywire::wire {
namespace {

constexpr std::uint8_t sender_report_type = 200;
constexpr std::uint8_t receiver_report_type = 201;
constexpr std::uint8_t source_description_type = 202;
constexpr std::uint8_t goodbye_type = 203;

std::vector<ReportBlock> read_blocks(OctetReader& reader, int count) {
  std::vector<ReportBlock> out;
  for (int i = 0; i < count && reader.ok(); ++i) {
    ReportBlock block;
    block.ssrc = reader.u32();
    block.fraction_lost = reader.u8();
    const std::uint32_t lost = reader.u24();
    block.cumulative_lost = static_cast<std::int32_t>(lost << 8) >> 8;
    block.extended_highest = reader.u32();
    block.jitter = reader.u32();
    block.last_sr = reader.u32();
    block.delay_since_sr = reader.u32();
    out.push_back(block);
  }
  return out;
}

}  // namespace

std::optional<RtcpCompound> decode_rtcp(Octets compound) {
  RtcpCompound out;
  OctetReader all(compound);
  while (all.left() > 0) {
    const std::uint8_t first = all.u8();
    const std::uint8_t type = all.u8();
    const std::size_t length = std::size_t{4} * all.u16();
    OctetReader body(all.take(length));
    if (!all.ok() || first >> 6 != 2) return std::nullopt;
    const int count = first & 0x1f;
    if (type == sender_report_type) {
      SenderReport report;
      report.ssrc = body.u32();
      report.ntp_time = body.u64();
      report.rtp_time = body.u32();
      report.packets = body.u32();
      report.payload_octets = body.u32();
      report.reports = read_blocks(body, count);
      out.sender_reports.push_back(std::move(report));
    } else if (type == receiver_report_type) {
      ReceiverReport report;
      report.ssrc = body.u32();
      report.reports = read_blocks(body, count);
      out.receiver_reports.push_back(std::move(report));
    } else if (type == goodbye_type) {
      for (int i = 0; i < count && body.ok(); ++i) out.goodbyes.push_back(body.u32());
    }
    if (!body.ok()) return std::nullopt;
  }
  return out;
}

std::vector<std::uint8_t> encode_receiver_report(std::uint32_t own_ssrc, const ReportBlock& block,
                                                 const char* cname) {
  std::vector<std::uint8_t> out = {0x81, receiver_report_type, 0, 7};
  put_u32(out, own_ssrc);
  put_u32(out, block.ssrc);
  put_u32(out, std::uint32_t{block.fraction_lost} << 24 |
                   (static_cast<std::uint32_t>(block.cumulative_lost) & 0xffffff));
  put_u32(out, block.extended_highest);
  put_u32(out, block.jitter);
  put_u32(out, block.last_sr);
  put_u32(out, block.delay_since_sr);
  const std::size_t name_length = std::min<std::size_t>(std::strlen(cname), 255);
  // SSRC, item type, length, name, at least one zero octet, padded to 32 bits (§6.5).
  const std::size_t chunk = (4 + 2 + name_length + 1 + 3) / 4 * 4;
  out.push_back(0x81);
  out.push_back(source_description_type);
  put_u16(out, static_cast<std::uint16_t>(chunk / 4));
  const std::size_t begin = out.size();
  put_u32(out, own_ssrc);
  out.push_back(1);  // CNAME
  out.push_back(static_cast<std::uint8_t>(name_length));
  out.insert(out.end(), cname, cname + name_length);
  out.resize(begin + chunk, 0);
  return out;
}

}  // namespace tallywire::wire
