// The Meter: RTP and RTCP of a source that numbers, stamps and fills its packets as it likes, and is interrupted at any
// moment. What it reports is finite, never negative where nothing can be, and unread with a reason where it is not read.
#include "probes/stream/meter.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <nlohmann/json.hpp>

#include <array>
#include <cmath>

using namespace tallywire;
using fuzz::require;

namespace {

constexpr std::array<const char*, 8> encodings = {"H264", "H265", "JPEG", "mpeg4-generic",
                                                  "PCMU", "G726-32", "vnd.onvif.metadata", ""};
// 0 is a description that tells none; the largest is what a hostile one may tell.
constexpr std::array<std::uint32_t, 6> clocks = {90000, 8000, 48000, 0, 1, 0xffffffff};

stream::MeterSettings settings_of(fuzz::Cutter& input) {
  stream::MeterSettings out;
  const auto choice = input.octet();
  out.encoding_name = encodings[choice % encodings.size()];
  out.codec = stream::codec_of(out.encoding_name);
  out.clock_hz = clocks[input.octet() % clocks.size()];
  const auto wrapping = input.octet();
  using Transport = stream::Wrapping::Transport;
  out.wrapping.transport = wrapping % 3 == 0 ? Transport::udp : wrapping % 3 == 1 ? Transport::tcp : Transport::multicast;
  out.wrapping.ipv6 = wrapping & 0x40;
  if (wrapping & 0x80) {
    const auto set = input.take(input.octet());
    out.parameter_sets.emplace_back(set.begin(), set.end());
  }
  if (wrapping & 0x20) stream::read_format_parameters(out, std::string(fuzz::text_of(input.take(input.octet()))));
  return out;
}

// A difference of two clocks, or of the unit's word and what is measured, may be negative; nothing else may.
bool may_be_negative(const std::string& key) {
  return key == "rtp_clock_ppm" || key == "sender_report_clock_ppm" || key == "clock_offset_ms";
}

void check_numbers(const nlohmann::json& value, const std::string& key) {
  if (value.is_number_float()) require(std::isfinite(value.get<double>()), "every number is finite");
  if (value.is_number() && !may_be_negative(key)) require(value.get<double>() >= 0, "no number is negative");
  if (value.is_structured())
    for (const auto& [name, inner] : value.items()) check_numbers(inner, value.is_object() ? name : key);
}

void check_report(const stream::Meter& meter) {
  const auto report = meter.report();
  const nlohmann::json json = report;
  check_numbers(json, "");
  for (const auto& [name, value] : json.items())
    if (value.is_null())
      require(report.unread.count(name) == 1 && !report.unread.at(name).empty(), "what is null has its reason");
    else
      require(report.unread.count(name) == 0, "what is unread is null");
  if (report.loss_ratio) require(*report.loss_ratio <= 1, "no more is lost than was expected");
  if (report.width) require(*report.width > 0 && *report.height > 0, "a picture has a size");
  require(report.gaps.size() <= 64 && report.findings.size() <= 64, "lists do not grow with the stream");
  static_cast<void>(json_line(json));
  check_numbers(nlohmann::json(meter.track_report()), "");
  for (const auto& reading : stream::to_readings(report, "fuzz")) check_numbers(nlohmann::json(reading), "");
}

// A source: what an honest packet would say next, and how far this one is off.
class Source {
 public:
  std::vector<std::uint8_t> packet(fuzz::Cutter& input) {
    const auto how = input.octet();
    sequence_ += how & 1 ? static_cast<std::uint16_t>(input.number(2)) : std::uint16_t{1};
    if (how & 2) rtp_time_ += how & 4 ? static_cast<std::uint32_t>(input.number(4)) : 3600u;
    if (how & 8) ssrc_ = input.octet() % 3;
    std::vector<std::uint8_t> out = {0x80, static_cast<std::uint8_t>((how & 16 ? 0x80 : 0) | 96)};
    if (how & 64) out[0] = input.octet();  // CSRCs, extension, padding, version
    wire::put_u16(out, sequence_);
    wire::put_u32(out, rtp_time_);
    wire::put_u32(out, ssrc_);
    const auto payload = input.take(input.octet());
    out.insert(out.end(), payload.begin(), payload.end());
    if (how & 32) out.resize(out.size() + 1200, 0x5a);  // as large as real ones
    return out;
  }

 private:
  std::uint16_t sequence_ = 0xfff0;
  std::uint32_t rtp_time_ = 0xffffff00;
  std::uint32_t ssrc_ = 1;
};

// Mostly a packet's distance; now and then a pause, or a clock that was set back.
std::chrono::nanoseconds step_of(fuzz::Cutter& input, std::uint8_t how) {
  using namespace std::chrono;
  if (how & 0x80) return milliseconds(static_cast<std::int32_t>(input.number(4)));
  if (how & 0x40) return milliseconds(input.octet() * 40);
  return microseconds(input.octet() * 10);
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  fuzz::Cutter input(data, size);
  stream::Meter meter(settings_of(input));
  Source source;
  // The middle of 2026: from_rfc3339 would be slower than all the rest.
  SystemTime now{std::chrono::seconds(1782864000)};
  while (!input.empty()) {
    const auto how = input.octet();
    now += step_of(input, how);
    switch (how & 7) {
      default: meter.add(source.packet(input), now); break;
      case 4: meter.add(input.take(input.octet()), now); break;
      case 5: meter.add_rtcp(input.take(input.octet()), now); break;
      case 6: {
        meter.add_tcp_overhead(4);
        const auto block = meter.take_reception(now);
        require(block.cumulative_lost >= -0x800000 && block.cumulative_lost <= 0x7fffff, "lost packets have 24 bits");
        break;
      }
      case 7:
        meter.interrupt();
        static_cast<void>(meter.report());
        break;
    }
  }
  check_report(meter);
  return 0;
}
