// Frames for the tap's tests, made of octets: Ethernet, IPv4, UDP or TCP (IEEE 802.3, RFC 791, RFC 768, RFC 9293).
#pragma once

#include "probes/tap/tap.hpp"
#include "tests/stream/packets.hpp"

#include <deque>
#include <string>
#include <vector>

namespace tallywire::test {

using Bytes = std::vector<std::uint8_t>;

struct End {
  std::uint32_t address = 0xc000020a;  // 192.0.2.10
  std::uint16_t port = 5004;
};
inline const End camera{0xc000020a, 5004}, recorder{0xc6336414, 6000};  // 198.51.100.20

inline void append(Bytes& out, const Bytes& more) { out.insert(out.end(), more.begin(), more.end()); }

inline Bytes in_ip(const End& from, const End& to, std::uint8_t protocol, const Bytes& body) {
  Bytes out = from_hex("020000000001 020000000002 0800 4500");
  wire::put_u16(out, static_cast<std::uint16_t>(20 + body.size()));
  append(out, from_hex("0001 4000 40"));
  out.push_back(protocol);
  append(out, from_hex("0000"));
  wire::put_u32(out, from.address);
  wire::put_u32(out, to.address);
  append(out, body);
  return out;
}

inline Bytes udp_frame(const Bytes& payload, const End& from = camera, const End& to = recorder) {
  Bytes out;
  wire::put_u16(out, from.port);
  wire::put_u16(out, to.port);
  wire::put_u16(out, static_cast<std::uint16_t>(8 + payload.size()));
  wire::put_u16(out, 0);
  append(out, payload);
  return in_ip(from, to, 17, out);
}

inline Bytes tcp_frame(const End& from, const End& to, std::uint32_t sequence, std::uint32_t acknowledged, const Bytes& payload) {
  Bytes out;
  wire::put_u16(out, from.port);
  wire::put_u16(out, to.port);
  wire::put_u32(out, sequence);
  wire::put_u32(out, acknowledged);
  append(out, from_hex("5018 ffff 0000 0000"));
  append(out, payload);
  return in_ip(from, to, 6, out);
}

inline Bytes octets_of(const std::string& text) { return {text.begin(), text.end()}; }

// An RTSP conversation on one connection, each line of it acknowledged by the next.
class Conversation {
 public:
  Conversation(const End& client, const End& server) : client_(client), server_(server) {}
  Bytes ask(const std::string& text) { return say(client_, server_, from_client_, from_server_, octets_of(text)); }
  Bytes answer(const std::string& text) { return say(server_, client_, from_server_, from_client_, octets_of(text)); }
  Bytes media(const Bytes& octets) { return say(server_, client_, from_server_, from_client_, octets); }
  // Octets that the server sent and the capture lacks.
  void skip(std::size_t octets) { from_server_ += static_cast<std::uint32_t>(octets); }
  Bytes reset() {
    auto out = tcp_frame(client_, server_, from_client_, from_server_, {});
    out[14 + 20 + 13] = 0x14;  // RST, ACK
    return out;
  }
  Bytes acknowledge() { return tcp_frame(client_, server_, from_client_, from_server_, {}); }

 private:
  static Bytes say(const End& from, const End& to, std::uint32_t& mine, std::uint32_t theirs, const Bytes& octets) {
    const auto out = tcp_frame(from, to, mine, theirs, octets);
    mine += static_cast<std::uint32_t>(octets.size());
    return out;
  }
  End client_, server_;
  std::uint32_t from_client_ = 1000, from_server_ = 5000;
};

// A tap that is fed frame by frame.
struct Fed {
  std::shared_ptr<tap::Announcements> board = std::make_shared<tap::Announcements>();
  tap::Tap tap;
  double now_s = 0;
  explicit Fed(tap::TapSettings settings = {}) : tap(std::move(settings), board) {}
  void frame(const Bytes& octets, double step_s = 0.001, std::size_t kept = 0) {
    now_s += step_s;
    const wire::Octets captured = wire::Octets(octets).first(kept == 0 ? octets.size() : std::min(kept, octets.size()));
    const tap::CapturedFrame frame{captured, static_cast<std::uint32_t>(octets.size()), wire::LinkLayer::ethernet, after(now_s)};
    tap.add({&frame, 1});
  }
  tap::Source& only() {
    tap.settle();
    return tap.stream(0);
  }
};

}  // namespace tallywire::test
