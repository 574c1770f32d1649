// The way from a frame to a stream: frames of any link layer with any octets, and frames made well enough to come far:
// RTP, RTCP, fragments, TCP with RTSP and interleaved media, out of order, with holes, cut by the capture. Whatever came,
// the report is whole: finite numbers, reasons for what is null, no more packets than frames, ceilings kept.
#include "probes/tap/tap_report.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <nlohmann/json.hpp>

#include <array>
#include <cmath>
#include <string>

using namespace tallywire;
using fuzz::require;

namespace {

using Bytes = std::vector<std::uint8_t>;

constexpr std::size_t most_streams = 20;

// What a unit and its recorder may say; the input chooses, and changes octets of it.
constexpr std::array<const char*, 8> sayings = {
    "DESCRIBE rtsp://192.0.2.10/a RTSP/1.0\r\nCSeq: 1\r\n\r\n",
    "RTSP/1.0 200 OK\r\nCSeq: 1\r\nContent-Length: 58\r\n\r\nm=video 0 RTP/AVP 96\r\na=rtpmap:96 H264/90000\r\na=control:t\r\n",
    "SETUP rtsp://192.0.2.10/a/t RTSP/1.0\r\nCSeq: 2\r\nTransport: RTP/AVP/TCP;interleaved=0-1\r\n\r\n",
    "RTSP/1.0 200 OK\r\nCSeq: 2\r\nServer: x\r\nTransport: RTP/AVP/TCP;interleaved=0-1\r\n\r\n",
    "SETUP rtsp://192.0.2.10/a/t RTSP/1.0\r\nCSeq: 3\r\nTransport: RTP/AVP;unicast;client_port=6000-6001\r\n\r\n",
    "RTSP/1.0 200 OK\r\nCSeq: 3\r\nTransport: RTP/AVP;unicast;client_port=6000-6001;server_port=5000-5001\r\n\r\n",
    "GET_PARAMETER rtsp://192.0.2.10/a RTSP/1.0\r\nCSeq: 4\r\n\r\n",
    "RTSP/1.0 404 Not Found\r\nCSeq: 2\r\n\r\n"};

class Wire {
 public:
  Bytes frame(fuzz::Cutter& input) {
    const auto how = input.octet();
    switch (how & 7) {
      case 0: {
        const auto any = input.take(input.octet());
        return {any.begin(), any.end()};
      }
      case 1: return in_ip(udp(rtcp(input), 5001, 6001), 17, how, input);
      case 2: return tcp(bytes_of(sayings[input.octet() % sayings.size()]), how, input);
      case 3: return tcp(interleaved(input), how, input);
      case 4: {
        const auto any = input.take(input.octet());
        return tcp({any.begin(), any.end()}, how, input);
      }
      default: return in_ip(udp(rtp(input), 5000, 6000), 17, how, input);
    }
  }

 private:
  static Bytes bytes_of(const char* text) {
    const std::string out(text);
    return {out.begin(), out.end()};
  }
  static void append(Bytes& out, const Bytes& more) { out.insert(out.end(), more.begin(), more.end()); }

  Bytes rtp(fuzz::Cutter& input) {
    const auto how = input.octet();
    sequence_ = static_cast<std::uint16_t>(sequence_ + (how & 1 ? input.octet() : 1));
    if (how & 2) time_ += 3600;
    if (how & 4) time_ = static_cast<std::uint32_t>(input.number(4));
    if (how & 8) ssrc_ = input.octet() % 32;
    Bytes out = {static_cast<std::uint8_t>(how & 16 ? input.octet() : 0x80), static_cast<std::uint8_t>(how & 32 ? input.octet() : 96)};
    wire::put_u16(out, sequence_);
    wire::put_u32(out, time_);
    wire::put_u32(out, ssrc_);
    const auto payload = input.take(how & 64 ? input.octet() : 8);
    append(out, {payload.begin(), payload.end()});
    return out;
  }
  Bytes rtcp(fuzz::Cutter& input) {
    Bytes out = {0x80, static_cast<std::uint8_t>(input.octet() % 2 ? 200 : 201), 0, 6};
    wire::put_u32(out, input.octet() % 32);
    const auto rest = input.take(20);
    append(out, {rest.begin(), rest.end()});
    out.resize(28);
    return out;
  }
  Bytes interleaved(fuzz::Cutter& input) {
    const auto packet = rtp(input);
    Bytes out = {'$', static_cast<std::uint8_t>(input.octet() % 3)};
    wire::put_u16(out, static_cast<std::uint16_t>(packet.size() + (input.octet() == 0 ? 1 : 0)));
    append(out, packet);
    return out;
  }
  static Bytes udp(const Bytes& payload, std::uint16_t from, std::uint16_t to) {
    Bytes out;
    wire::put_u16(out, from);
    wire::put_u16(out, to);
    wire::put_u16(out, static_cast<std::uint16_t>(payload.size() + 8));
    wire::put_u16(out, 0);
    append(out, payload);
    return out;
  }
  Bytes tcp(Bytes payload, std::uint8_t how, fuzz::Cutter& input) {
    const auto turn = input.octet();
    const bool server = turn & 1;
    if (turn & 2 && !payload.empty()) payload[input.octet() % payload.size()] = input.octet();
    auto& mine = sent_[server];
    if (turn & 4) mine += input.octet();                                      // a hole
    auto from = mine;
    if (turn & 8) from -= std::min<std::uint32_t>(input.octet(), 200);         // sent again, or over the end of it
    if (turn & 16) from += 50;                                                // out of order
    Bytes out;
    wire::put_u16(out, server ? 554 : 40000);
    wire::put_u16(out, server ? 40000 : 554);
    wire::put_u32(out, from);
    wire::put_u32(out, sent_[!server] + (turn & 32 ? input.octet() : 0));
    out.push_back(0x50);
    out.push_back(static_cast<std::uint8_t>(turn & 64 ? 0x12 : 0x10));
    append(out, Bytes(6, 0));
    append(out, payload);
    if (!(turn & 16)) mine = from + static_cast<std::uint32_t>(payload.size());
    return in_ip(out, 6, how, input, server);
  }
  Bytes in_ip(const Bytes& body, std::uint8_t protocol, std::uint8_t how, fuzz::Cutter& input, bool back = false) {
    Bytes out(12, 2);
    for (int tag = 0; how & 8 && tag < 2; ++tag) append(out, {0x81, 0x00, 0x00, 0x05});
    if (how & 16) {
      append(out, {0x86, 0xdd, 0x60, 0, 0, 0});
      wire::put_u16(out, static_cast<std::uint16_t>(body.size()));
      out.push_back(protocol);
      out.push_back(64);
      for (const int end : {back, !back}) {
        append(out, Bytes(15, 0x20));
        out.push_back(static_cast<std::uint8_t>(end));
      }
    } else {
      append(out, {0x08, 0x00, 0x45, 0});
      wire::put_u16(out, static_cast<std::uint16_t>(body.size() + 20));
      wire::put_u16(out, 7);
      wire::put_u16(out, how & 32 ? static_cast<std::uint16_t>(input.number(2) & 0x201f) : 0);
      append(out, {64, protocol, 0, 0});
      for (const int end : {back, !back}) append(out, {192, 0, 2, static_cast<std::uint8_t>(10 + end)});
    }
    append(out, body);
    return out;
  }

  std::uint16_t sequence_ = 0xfffd;
  std::uint32_t time_ = 0, ssrc_ = 1;
  std::array<std::uint32_t, 2> sent_ = {0xffffff00, 1000};
};

bool may_be_negative(const std::string& key) {
  return key == "rtp_clock_ppm" || key == "sender_report_clock_ppm" || key == "clock_offset_ms" || key == "lost_packets";
}

void check_numbers(const nlohmann::json& value, const std::string& key) {
  if (value.is_number_float()) require(std::isfinite(value.get<double>()), "every number is finite");
  if (value.is_number() && !may_be_negative(key)) require(value.get<double>() >= 0, "no number is negative");
  if (value.is_structured())
    for (const auto& [name, inner] : value.items()) check_numbers(inner, value.is_object() ? name : key);
}

void check_stream(const tap::TappedStream& stream) {
  const nlohmann::json json = stream;
  require(!stream.report.lost_packets || *stream.report.lost_packets >= 0, "no loss is negative");
  require(stream.not_captured_packets >= 0, "no packet is captured that was not");
  for (const auto& [name, value] : json.items()) {
    if (!value.is_null() || name == "camera" || name == "subject") continue;
    require(json.at("unread").contains(name), "what is null has its reason");
  }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  fuzz::Cutter input(data, size);
  constexpr std::array links = {wire::LinkLayer::ethernet, wire::LinkLayer::raw_ip, wire::LinkLayer::linux_cooked,
                                wire::LinkLayer::linux_cooked_v2, wire::LinkLayer::null_loopback, wire::LinkLayer::unknown};
  const auto start = input.octet();
  const auto link = start & 0x80 ? links[start % links.size()] : wire::LinkLayer::ethernet;
  tap::TapSettings settings;
  settings.most_streams = most_streams;
  settings.most_connections = 4;
  settings.most_held_octets = 4096;
  settings.forget_after = std::chrono::seconds(10);
  tap::Tap tap(settings, std::make_shared<tap::Announcements>());
  Wire wire;
  SystemTime now{std::chrono::seconds(1782864000)};
  std::uint64_t frames = 0;
  while (!input.empty()) {
    const auto how = input.octet();
    now += how & 0x80 ? std::chrono::nanoseconds(std::chrono::milliseconds(static_cast<std::int16_t>(input.number(2)))) : std::chrono::milliseconds(how & 0x0f);
    const auto octets = wire.frame(input);
    const auto kept = how & 0x40 ? std::min<std::size_t>(input.octet(), octets.size()) : octets.size();
    const tap::CapturedFrame frame{wire::Octets(octets).first(kept), static_cast<std::uint32_t>(octets.size()), link, now};
    tap.add({&frame, 1});
    ++frames;
    if (how == 0x3f) tap.interrupt();
    if (how == 0x3e) tap.begin_anew();
  }
  tap.finish();
  require(tap.streams() <= most_streams, "no more streams than the ceiling");
  tap::CaptureFacts facts;
  const std::array<const tap::Tap*, 1> taps{&tap};
  const auto report = tap::report_of(taps, facts);
  require(report.capture.totals.frames <= frames, "no more frames than came");
  for (const auto& stream : report.streams) check_stream(stream);
  const nlohmann::json json = report;
  check_numbers(json, "");
  static_cast<void>(json_line(json));
  return 0;
}
