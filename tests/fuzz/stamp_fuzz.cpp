// STAMP packets (RFC 8762): decoded in both modes, there and back; then a session whose packets the input spoils, and the report
// that is made of it.
#include "probes/path/delay.hpp"
#include "probes/wire/stamp_session.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <nlohmann/json.hpp>

#include <string>
#include <vector>

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

namespace {

constexpr std::int64_t begin_unix_ns = 1'767'323'045'500'000'000;
const std::string key = "0123456789abcdef0123456789abcdef";
const StampMode modes[] = {StampMode::unauthenticated, StampMode::authenticated};

void check_octets(Octets octets) {
  for (const auto mode : modes) {
    StampRequest request, request_back;
    if (decode_stamp_request(octets, mode, key, request) == StampRead::read) {
      require(octets.size() >= least_stamp_request_octets, "no request without its octets");
      const auto again = encode_stamp_request(request, mode, key, octets.size());
      require(decode_stamp_request(again, mode, key, request_back) == StampRead::read && request_back == request, "a request comes back as it went");
    }
    StampAnswer answer, answer_back;
    if (decode_stamp_answer(octets, mode, key, answer) == StampRead::read) {
      require(octets.size() >= least_octets(mode), "no answer without its octets");
      const auto again = encode_stamp_answer(answer, mode, key, octets);
      require(again.size() == octets.size(), "answers are as long as requests (§4.6)");
      require(decode_stamp_answer(again, mode, key, answer_back) == StampRead::read && answer_back == answer, "an answer comes back as it went");
    }
    require(encode_stamp_answer({}, mode, key, octets).size() >= least_octets(mode), "no answer is shorter than its mode's");
  }
}

void check_times(std::uint64_t time, std::int64_t near) {
  for (const auto format : {StampTimeFormat::ntp, StampTimeFormat::ptp}) {
    const auto back = unix_ns_of(time, format, near);
    const double apart_s = static_cast<double>(back - near) / 1e9;
    require(apart_s < 2'147'483'653.0 && apart_s > -2'147'483'653.0, "the nearest era is taken");
  }
}

// What the path does to a packet: some octets changed, its end cut off.
std::vector<std::uint8_t> spoilt(std::vector<std::uint8_t> packet, fuzz::Cutter& in) {
  const auto changes = in.octet() % 4;
  for (int i = 0; i < changes; ++i) packet[in.number(2) % packet.size()] ^= in.octet();
  if (in.octet() % 8 == 0) packet.resize(in.number(2) % (packet.size() + 1));
  return packet;
}

// Some packets arrive as they were, some spoilt, some twice, some not.
void run_session(fuzz::Cutter in) {
  const auto choice = in.octet();
  const auto mode = modes[choice & 1];
  const std::uint32_t packets = 1 + in.octet() % 40;
  StampLog log({mode, key, 7, in.number(2) % 300, packets});
  StampReflection reflection({mode, key, (choice & 2) != 0, 7, (choice & 4) != 0 ? packets : 0});
  std::int64_t now = begin_unix_ns;
  for (std::uint32_t n = 0; n < packets; ++n) {
    now += static_cast<std::int64_t>(in.number(3)) * 10;
    const auto estimate = decode_error_estimate(static_cast<std::uint16_t>(in.number(2) | 1));
    const auto packet = log.next(now, now, estimate);
    require(packet.has_value(), "the log sends up to its ceiling");
    const int copies = in.octet() % 4;
    for (int i = 0; i < copies; ++i) {
      const bool clean = in.octet() % 4 != 0;
      const auto request = clean ? *packet : spoilt(*packet, in);
      const auto far = now + static_cast<std::int64_t>(in.number(4)) - 2'000'000'000;
      auto answer = reflection.answer(request, far, in.octet(), far + in.octet(), estimate);
      if (!answer) continue;
      if (in.octet() % 4 == 0) *answer = spoilt(std::move(*answer), in);
      log.take(*answer, now, now + static_cast<std::int64_t>(in.number(3)), in.octet());
    }
  }
  require(!log.next(now, now, {}).has_value(), "the ceiling holds");
  require(log.answered_packets() <= packets, "no more is answered than was sent");
  require(log.arrivals().size() <= StampLog::most_arrivals_per_packet * packets, "doubles have a ceiling");
  path::DelayInput input;
  input.sent = log.sent();
  input.arrivals = log.arrivals();
  input.ignored = log.ignored();
  input.is_tallywire = (choice & 8) != 0;
  input.here = input.there.emplace(path::ClockQuality{true, 1, ""});
  if ((choice & 16) != 0)
    input.reflector = path::ReflectorCount{reflection.received_packets(), reflection.duplicate_packets(), reflection.reflected_packets(), 0, 0, {5, -1, 7}};
  const auto report = path::delay_report_of(input);
  require(report.answered_packets == log.answered_packets(), "the report counts what the log counted");
  require(report.round_trip.count == report.answered_packets, "each answer has a round trip");
  for (const auto* way : {&report.to, &report.from})
    require(!way->loss_ratio || (*way->loss_ratio >= 0 && *way->loss_ratio <= 1), "a ratio is one");
  require(!nlohmann::json(report).dump().empty(), "a report is JSON");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  check_octets(Octets(data, size));
  fuzz::Cutter in(data, size);
  check_times(in.number(8), static_cast<std::int64_t>(in.number(8) % 4'000'000'000'000'000'000));
  run_session(fuzz::Cutter(data, size));
  return 0;
}
