#include "probes/tap/tap.hpp"

#include "probes/wire/rtp.hpp"

#include <algorithm>

namespace tallywire::tap {
namespace {

using What = wire::Datagram::What;

constexpr std::size_t rtp_head = 12;
constexpr std::size_t most_candidates = 8, most_candidate_packets = 64;
constexpr std::size_t most_refused_a_flow = 64;
constexpr auto set_back = std::chrono::seconds(1);  // no capture is out of order by more than that
// Packets in sequence before an unannounced source is believed; RFC 3550 A.1 asks for two.
constexpr int sequence_unannounced = 3, sequence_of_unit = 2, sequence_announced = 1;
// Or so many, each within so many numbers of the one before.
constexpr int near_unannounced = 16;
constexpr std::int16_t farthest_number = 16;
// Two packets in sequence are not farther apart in RTP time than 20 s of the fastest clock.
constexpr std::int32_t farthest_ticks = 20 * 90000;
constexpr std::size_t streams_near = 128;
constexpr double fcs_preamble_gap = 4 + 8 + 12, least_frame = 64 + 8 + 12;

std::uint16_t sequence_of(wire::Octets rtp) { return static_cast<std::uint16_t>(rtp[2] << 8 | rtp[3]); }
std::uint32_t word(wire::Octets octets, std::size_t at) {
  return std::uint32_t{octets[at]} << 24 | std::uint32_t{octets[at + 1]} << 16 | std::uint32_t{octets[at + 2]} << 8 | octets[at + 3];
}

// Of all its frames; how long one was of which there are several, nobody counted: fragments are no short frames.
double wire_octets(const wire::Datagram& datagram) {
  return std::max(datagram.ethernet_octets + datagram.frames * fcs_preamble_gap, least_frame);
}

// RFC 3551 §6: assigned and dynamic types; 64 to 95 would be taken for RTCP (RFC 5761 §4).
bool is_media_type(std::uint8_t type) { return type <= 34 || type >= 96; }

}  // namespace

Tap::Tap(TapSettings settings, std::shared_ptr<Announcements> announcements)
    : settings_(std::move(settings)), announcements_(std::move(announcements)) {}

// Passes, so that what the later ones touch is on its way from memory meanwhile.
void Tap::add(std::span<const CapturedFrame> frames) {
  const auto count = std::min(frames.size(), most_frames_a_batch);
  const bool ahead = sources_.size() > streams_near;  // few meters are near the processor anyway
  for (std::size_t i = 0; i < count; ++i) {
    auto& item = items_[i];
    wire::decode_frame(frames[i].octets, frames[i].original_octets, frames[i].link, item.datagram);
    if (item.datagram.what != What::udp) continue;
    item.hash = item.datagram.flow.hash();
    flows_.prefetch(item.hash);
  }
  for (std::size_t i = 0; i < count; ++i) {
    auto& item = items_[i];
    item.slot = nullptr;
    if (item.datagram.what != What::udp) continue;
    item.slot = flows_.find(item.datagram.flow, item.hash);
    if (ahead && item.slot && item.slot->source && item.datagram.payload.size() >= rtp_head)
      item.slot->source->prefetch(sequence_of(item.datagram.payload));
  }
  for (std::size_t i = 0; ahead && i < count; ++i) {
    const auto& item = items_[i];
    if (item.slot && item.slot->source && item.datagram.payload.size() >= rtp_head)
      item.slot->source->prefetch_more(word(item.datagram.payload, 4), frames[i].when.time_since_epoch().count());
  }
  for (std::size_t i = 0; i < count; ++i) {
    const auto generation = flows_.generation();
    take(frames[i], items_[i]);
    if (flows_.generation() != generation)
      for (auto j = i + 1; j < count; ++j) items_[j].slot = nullptr;
  }
  if (frames.size() > count) add(frames.subspan(count));
}

// Times that no capture of cameras has are those of a file that does not tell them, or of a broken one.
SystemTime Tap::believable(SystemTime when) {
  constexpr auto latest = SystemTime(std::chrono::hours(24) * 365 * 230);  // the year 2200; nanoseconds end in 2262
  if (when > SystemTime{} && when < latest) return when;
  ++totals_.untimed_frames;
  return SystemTime{};
}

void Tap::take(const CapturedFrame& captured, Item& item) {
  auto frame = captured;
  frame.when = believable(frame.when);
  auto& d = item.datagram;
  ++totals_.frames;
  totals_.octets += d.frame_octets;
  totals_.cut_frames += frame.octets.size() < frame.original_octets;
  if (!totals_.first) totals_.first = totals_.last = frame.when;
  const bool stepped_back = frame.when + set_back < newest_;
  totals_.clock_steps += stepped_back;
  newest_ = stepped_back ? frame.when : std::max(newest_, frame.when);
  totals_.first = std::min(*totals_.first, frame.when);
  totals_.last = std::max(*totals_.last, frame.when);
  if (d.what == What::fragment) {
    const auto fragment = d.fragment;
    if (!fragments_.add(fragment, d.ethernet_octets, frame.when.time_since_epoch(), d)) return;
    item.hash = d.flow.hash();
    item.slot = nullptr;
  }
  switch (d.what) {
    case What::udp:
      ++totals_.udp_datagrams;
      if (!item.slot && flows_.full()) forget_strangers();
      take_udp(item.slot ? *item.slot : flows_.find_or_make(d.flow, item.hash), d, frame.when);
      return;
    case What::tcp:
      ++totals_.tcp_segments;
      take_tcp(d, frame.when);
      return;
    case What::malformed: ++totals_.malformed_frames; return;
    case What::wrapped: ++totals_.encapsulated_frames; return;
    case What::cut: ++totals_.unreadable_frames; return;
    case What::fragment:
    case What::other:
      totals_.unreadable_frames += frame.link == wire::LinkLayer::unknown;
      totals_.other_frames += frame.link != wire::LinkLayer::unknown;
      return;
  }
}

void Tap::take_udp(FlowSlot& slot, const wire::Datagram& datagram, SystemTime when) {
  const auto& payload = datagram.payload;
  if (payload.size() < 8 || payload[0] >> 6 != 2) return;
  if (wire::looks_like_rtcp(payload)) return rtcp(datagram.flow, payload, when);
  if (payload.size() < rtp_head) return;
  const auto ssrc = word(payload, 8);
  if (slot.source && slot.ssrc == ssrc) {
    ++totals_.media_datagrams;
    slot.source->add({payload, datagram.payload_octets, wire_octets(datagram), when});
    return;
  }
  take_unknown(slot, datagram, ssrc, when);
}

FlowMemory& Tap::memory_of(FlowSlot& slot) {
  if (!slot.memory) slot.memory = std::make_unique<FlowMemory>();
  return *slot.memory;
}

void Tap::look_for_announcement(FlowSlot& slot, FlowMemory& memory) {
  const auto version = announcements_->version();
  if (memory.announcements_seen == version) return;
  memory.announcements_seen = version;
  const auto medium = announcements_->find(slot.flow);
  if (!medium || medium == memory.medium) return;
  memory.medium = medium;
  // What another session has named stays its own: this one's media have an SSRC of their own.
  for (auto& [ssrc, source] : memory.sources)
    if (!source->medium() || source->medium()->url.empty()) source->announce(medium);
}

bool Tap::is_unit(const wire::Flow& flow) const {
  return std::find(settings_.units.begin(), settings_.units.end(), flow.source()) != settings_.units.end();
}

void Tap::take_unknown(FlowSlot& slot, const wire::Datagram& datagram, std::uint32_t ssrc, SystemTime when) {
  auto& memory = memory_of(slot);
  look_for_announcement(slot, memory);
  if (std::find(memory.refused.begin(), memory.refused.end(), ssrc) != memory.refused.end()) return;
  for (auto& [known, source] : memory.sources) {
    if (known != ssrc) continue;
    slot.ssrc = ssrc;
    slot.source = source;
    ++totals_.media_datagrams;
    source->add({datagram.payload, datagram.payload_octets, wire_octets(datagram), when});
    return;
  }
  if (!memory.medium && !is_media_type(datagram.payload[1] & 0x7f)) return;
  take_candidate(slot, memory, datagram, ssrc, when);
}

std::optional<RecognisedBy> Tap::reason_for(const FlowMemory& memory, const wire::Flow& flow, const Candidate& candidate, std::uint8_t payload_type) const {
  if (memory.medium && candidate.in_sequence >= sequence_announced) return RecognisedBy::rtsp;
  if (!is_media_type(payload_type)) return std::nullopt;
  const Sender sender{{flow.words[0], flow.words[1]}, candidate.ssrc};
  if (candidate.in_sequence >= sequence_announced && reporting_.contains(sender)) return RecognisedBy::rtcp;
  if (candidate.in_sequence >= sequence_of_unit && is_unit(flow)) return RecognisedBy::design;
  if (candidate.in_sequence >= sequence_unannounced || candidate.near >= near_unannounced) return RecognisedBy::sequence;
  return std::nullopt;
}

void Tap::take_candidate(FlowSlot& slot, FlowMemory& memory, const wire::Datagram& datagram, std::uint32_t ssrc, SystemTime when) {
  const auto& payload = datagram.payload;
  auto& candidates = memory.candidates;
  auto at = std::find_if(candidates.begin(), candidates.end(), [&](const Candidate& c) { return c.ssrc == ssrc; });
  const auto let_go = [this](Candidate& c) {
    held_octets_ -= c.octets.capacity();
    c.packets.clear();
    c.octets = {};
  };
  if (at == candidates.end()) {
    if (candidates.size() == most_candidates) {
      let_go(candidates.front());
      candidates.erase(candidates.begin());
    }
    at = candidates.emplace(candidates.end());
    at->ssrc = ssrc;
  }
  auto& candidate = *at;
  const auto sequence = sequence_of(payload);
  const auto time = word(payload, 4);
  const auto step = static_cast<std::int32_t>(time - candidate.last_time);
  const bool goes_on = candidate.in_sequence > 0 && sequence == candidate.next_sequence && step > -farthest_ticks && step < farthest_ticks;
  // A mirror of two ports shows each packet twice: the second changes nothing.
  const bool again = candidate.in_sequence > 0 && sequence + 1 == candidate.next_sequence && step == 0;
  // Where every other packet is lost, or pairs are swapped, none ever follows its neighbour.
  const auto apart = static_cast<std::int16_t>(sequence + 1 - candidate.next_sequence);
  const bool is_near = candidate.near > 0 && apart != 0 && apart > -farthest_number && apart < farthest_number && step > -farthest_ticks && step < farthest_ticks;
  candidate.near = is_near ? candidate.near + 1 : again ? candidate.near : 1;
  candidate.in_sequence = goes_on ? candidate.in_sequence + 1 : again ? candidate.in_sequence : 1;
  candidate.next_sequence = static_cast<std::uint16_t>(sequence + 1);
  candidate.last_time = time;
  if (candidate.packets.size() == most_candidate_packets || held_octets_ + payload.size() > settings_.most_held_octets) let_go(candidate);
  auto& held = candidate.octets;
  const auto room = held.capacity();
  if (held.empty()) held.reserve(sequence_unannounced * payload.size());
  candidate.packets.push_back({held.size(), payload.size(), datagram.payload_octets, wire_octets(datagram), when});
  held.insert(held.end(), payload.begin(), payload.end());
  held_octets_ += held.capacity() - room;
  const auto by = reason_for(memory, slot.flow, candidate, payload[1] & 0x7f);
  if (!by) return;
  auto* source = new_source(slot.flow, datagram.vlan_tags, payload[1] & 0x7f, ssrc, *by);
  if (source) {
    if (memory.medium) source->announce(memory.medium);
    memory.sources.emplace_back(ssrc, source);
    slot.ssrc = ssrc;
    slot.source = source;
    totals_.media_datagrams += candidate.packets.size();
    for (const auto& packet : candidate.packets) source->add({std::span(held).subspan(packet.begin, packet.size), packet.whole_octets, packet.wire_octets, packet.when});
  } else if (memory.refused.size() < most_refused_a_flow) {
    memory.refused.push_back(ssrc);
  }
  let_go(candidate);
  candidates.erase(at);
}

Source* Tap::new_source(const wire::Flow& flow, int vlan_tags, std::uint8_t payload_type, std::uint32_t ssrc, RecognisedBy by) {
  if (sources_.size() >= settings_.most_streams) {
    ++totals_.streams_refused;
    return nullptr;
  }
  auto* source = sources_.make(flow, vlan_tags, payload_type, by);
  const Sender sender{{flow.words[0], flow.words[1]}, ssrc};
  by_sender_.emplace(sender, source);
  if (reporting_.contains(sender)) source->recognised(RecognisedBy::rtcp);
  return source;
}

void Tap::finish() {
  for (auto& [flow, connection] : connections_) connection->finish(totals_.last.value_or(SystemTime{}));
  settle();
}

void Tap::interrupt() {
  for (auto& [flow, connection] : connections_) connection->finish(totals_.last.value_or(SystemTime{}));
  for (auto& [flow, connection] : connections_) connection->interrupt();
  for (std::size_t i = 0; i < sources_.size(); ++i) sources_[i].meter().interrupt();
}

void Tap::settle() {
  for (std::size_t i = 0; i < sources_.size(); ++i) sources_[i].settle();
  for (auto& [flow, connection] : connections_) connection->tell_segments();
  const auto version = announcements_->version();
  if (version == settled_version_) return;
  settled_version_ = version;
  flows_.each([this](FlowSlot& slot) {
    if (slot.memory && !slot.memory->sources.empty()) look_for_announcement(slot, *slot.memory);
  });
}

std::vector<std::pair<Source*, double>> Tap::heaviest(std::size_t most) {
  std::vector<std::pair<Source*, double>> out;
  for (std::size_t i = 0; i < sources_.size(); ++i) {
    auto& source = sources_[i];
    const double now = source.meter().wire_octets_in_all();
    if (now > source.shown_octets) out.emplace_back(&source, now - source.shown_octets);
    source.shown_octets = now;
  }
  const auto count = std::min(most, out.size());
  std::partial_sort(out.begin(), out.begin() + static_cast<std::ptrdiff_t>(count), out.end(),
                    [](const auto& a, const auto& b) { return a.second > b.second; });
  out.resize(count);
  return out;
}

}  // namespace tallywire::tap
