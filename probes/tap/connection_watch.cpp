#include "probes/tap/connection_watch.hpp"

#include "probes/wire/rtp.hpp"

#include <algorithm>

namespace tallywire::tap {
namespace {

constexpr std::uint64_t most_searched_octets = 256 * 1024;
constexpr std::size_t most_sources_a_side = 256;
constexpr std::uint16_t port_of_rtsps = 322;  // RFC 7826 §4.2
constexpr std::size_t interleaved_head = 4;

bool begins_as_tls(wire::Octets octets) { return octets.size() >= 3 && octets[0] == 0x16 && octets[1] == 3 && octets[2] <= 4; }

std::uint32_t ssrc_of(wire::Octets packet) {
  return std::uint32_t{packet[8]} << 24 | std::uint32_t{packet[9]} << 16 | std::uint32_t{packet[10]} << 8 | packet[11];
}

}  // namespace

RtspWatch& ConnectionWatch::watch() {
  if (!watch_) watch_ = std::make_unique<RtspWatch>();
  return *watch_;
}

void ConnectionWatch::add(const wire::Datagram& segment, SystemTime when) {
  last_ = when;
  const bool forward = segment.flow == flow_;
  auto& side = sides_[forward ? 0 : 1];
  auto& back = sides_[forward ? 1 : 0];
  const auto at = when.time_since_epoch();
  side.vlan_tags = segment.vlan_tags;
  if (segment.tcp.syn) closed_ = sides_[0].has_ended = sides_[1].has_ended = false;
  side.has_ended = side.has_ended || segment.tcp.fin;
  closed_ = closed_ || segment.tcp.rst || (sides_[0].has_ended && sides_[1].has_ended);
  if (segment.tcp.syn && side.state == State::ignored) {
    side.in.restart();
    side.state = State::unknown;
  }
  if (segment.tcp.ack && back.state != State::ignored) {
    back.in.acknowledged(segment.tcp.acknowledgement, at);
    drain(back, when);
  }
  if (side.state == State::ignored) return;
  side.in.add({segment.tcp.sequence, segment.tcp.syn, segment.payload, segment.payload_octets, at});
  drain(side, when);
}

void ConnectionWatch::drain(Side& side, SystemTime when) {
  side.in.look_at_clock(when.time_since_epoch());
  while (const auto piece = side.in.next()) {
    if (piece->anew) {
      for (auto& known : side.sources) known.source->meter().excuse();
      side.state = State::unknown;
      side.input = wire::RtspInput();
      side.finder.restart();
    }
    if (!piece->octets.empty()) take_octets(side, piece->octets, SystemTime(piece->at));
    if (piece->missing > 0) take_hole(side);
    if (side.state == State::ignored) return;
  }
}

// The streams of this side lack what the capture lacks; where the next frame begins must be found.
void ConnectionWatch::take_hole(Side& side) {
  for (auto& known : side.sources) known.source->meter().excuse();
  if (side.state != State::rtsp) return;
  side.input = wire::RtspInput();
  side.finder.restart();
  side.state = State::searching;
  side.came_from_rtsp = true;
}

void ConnectionWatch::take_octets(Side& side, wire::Octets octets, SystemTime when) {
  switch (side.state) {
    case State::rtsp: return cut(side, octets, when);
    case State::ignored: return;
    case State::unknown:
      if (begins_as_tls(octets) && (flow_.source_port == port_of_rtsps || flow_.destination_port == port_of_rtsps)) {
        encrypted_ = true;
        return ignore(side);
      }
      side.state = State::searching;
      side.came_from_rtsp = false;
      [[fallthrough]];
    case State::searching: return search(side, octets, when);
  }
}

void ConnectionWatch::search(Side& side, wire::Octets octets, SystemTime when) {
  // A request or an answer begins where a segment does (common practice).
  if (looks_like_rtsp(octets)) {
    side.finder.restart();
    side.state = State::rtsp;
    return cut(side, octets, when);
  }
  if (const auto found = side.finder.add(octets, side.known)) {
    side.state = State::rtsp;
    return cut(side, *found, when);
  }
  const bool is_known = side.came_from_rtsp || other(side).state == State::rtsp;
  if (!is_known && side.finder.passed_octets() > most_searched_octets) ignore(side);
}

void ConnectionWatch::ignore(Side& side) {
  side.state = State::ignored;
  side.in.restart();
  side.finder.restart();
}

void ConnectionWatch::cut(Side& side, wire::Octets octets, SystemTime when) {
  using Came = wire::RtspInput::Came;
  side.input.give(octets);
  for (;;) {
    switch (side.input.next()) {
      case Came::need_more: return;
      case Came::frame: take_frame(side, side.input.channel(), side.input.packet(), when); break;
      case Came::message: take_message(side, side.input.message()); break;
      case Came::malformed:
        ++malformed_;
        for (auto& known : side.sources) known.source->meter().excuse();
        side.input = wire::RtspInput();
        side.finder.restart();
        side.state = State::searching;
        side.came_from_rtsp = true;
        return;
    }
  }
}

void ConnectionWatch::take_message(Side& side, wire::RtspMessage& message) {
  if (message.status == 0) return watch().request(message);
  // An answer goes from the server to the client, as the segment does that carries it.
  const auto flow = flow_of(side);
  watch().answer(message, flow.destination(), flow.source());
  for (auto& announcement : watch().take_announcements()) host_.announced(std::move(announcement));
  if (!watch().has_channels()) return;
  for (std::size_t channel = 0; channel < 256; ++channel)
    if (watch_->on_channel(static_cast<std::uint8_t>(channel))) side.known.channels[channel] = true;
  for (auto& known : side.sources)
    if (const auto medium = watch_->on_channel(known.channel); medium && known.source->medium() != medium.get()) known.source->announce(medium);
}

Source* ConnectionWatch::source_on(Side& side, std::uint8_t channel, wire::Octets packet) {
  const auto ssrc = ssrc_of(packet);
  for (auto& known : side.sources)
    if (known.ssrc == ssrc && known.channel == channel) return known.source;
  if (side.sources.size() == most_sources_a_side) return nullptr;
  auto medium = watch_ ? watch_->on_channel(channel) : nullptr;
  const auto by = medium ? RecognisedBy::rtsp : RecognisedBy::sequence;
  auto* source = host_.new_source(flow_of(side), side.vlan_tags, packet[1] & 0x7f, ssrc, by);
  if (!source) return nullptr;
  side.sources.push_back({channel, ssrc, source});
  side.known.sources.emplace_back(channel, ssrc);
  side.known.channels[channel] = true;
  if (!medium && watch_) medium = watch_->any_session();
  if (medium) source->announce(std::move(medium));
  return source;
}

void ConnectionWatch::take_frame(Side& side, std::uint8_t channel, wire::Octets packet, SystemTime when) {
  if (wire::looks_like_rtcp(packet)) {
    side.known.channels[channel] = true;
    return host_.rtcp(flow_of(side), packet, when);
  }
  if (!wire::decode_rtp(packet)) {
    ++malformed_;
    return;
  }
  auto* source = source_on(side, channel, packet);
  if (!source) return;
  source->add({packet, packet.size(), 0, when});
  source->meter().add_tcp_overhead(interleaved_head);
}

// What went by meanwhile is not known; where the next frame begins must be found.
void ConnectionWatch::interrupt() {
  for (auto& side : sides_) {
    if (side.state == State::ignored) continue;
    side.in.restart();
    side.input = wire::RtspInput();
    side.finder.restart();
    if (side.state == State::rtsp) {
      side.state = State::searching;
      side.came_from_rtsp = true;
    }
  }
}

// How long the segments really were, for what the link was busy with.
void ConnectionWatch::tell_segments() {
  for (auto& side : sides_) {
    if (side.in.segments() == 0) continue;
    const auto mean = static_cast<double>(side.in.payload_octets()) / static_cast<double>(side.in.segments());
    for (auto& known : side.sources) known.source->meter().tell_tcp_segment(mean);
  }
}

void ConnectionWatch::finish(SystemTime when) {
  for (auto& side : sides_) {
    if (side.state == State::ignored) continue;
    side.in.finish();
    drain(side, when);
  }
  tell_segments();
}

ConnectionTotals ConnectionWatch::totals() const {
  auto out = totals_in_all();
  out.missing_octets -= told_.missing_octets;
  out.holes -= told_.holes;
  out.retransmitted_segments -= told_.retransmitted_segments;
  out.malformed -= told_.malformed;
  return out;
}

ConnectionTotals ConnectionWatch::totals_in_all() const {
  ConnectionTotals out;
  out.malformed = malformed_;
  for (const auto& side : sides_) {
    out.missing_octets += side.in.missing_octets();
    out.holes += side.in.holes();
    out.retransmitted_segments += side.in.retransmitted_segments();
  }
  return out;
}

}  // namespace tallywire::tap
