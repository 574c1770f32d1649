// How a tap that is held for months begins its meters anew, and forgets what it will not hear again.
#include "probes/tap/tap.hpp"

#include <algorithm>

namespace tallywire::tap {

void Tap::begin_anew() {
  totals_ = {};
  incomplete_told_ = fragments_.incomplete();
  for (std::size_t i = 0; i < sources_.size(); ++i) sources_[i].begin_anew(newest_);
  for (auto& [flow, connection] : connections_) connection->begin_anew();
  forget_silent(newest_);
}

std::size_t Tap::streams_heard() const {
  std::size_t out = 0;
  for (std::size_t i = 0; i < sources_.size(); ++i) out += sources_[i].meter().packets() > 0;
  return out;
}

// Strangers that never showed media, when they are too many.
void Tap::forget_strangers() {
  held_octets_ = 0;
  flows_.retain([this](const FlowSlot& slot) {
    if (!slot.source) return false;
    if (slot.memory)
      for (const auto& candidate : slot.memory->candidates) held_octets_ += candidate.octets.capacity();
    return true;
  });
}

// By the frames' own time: what was silent while the tap itself was away has not been silent for it.
void Tap::forget_silent(SystemTime now) {
  const auto since = now - settings_.forget_after;
  std::erase_if(connections_, [&](const auto& entry) { return entry.second->last() < since || entry.second->last() > now; });
  std::erase_if(reporting_, [&](const auto& entry) { return entry.second < since; });
  forget_sources(since);
  held_octets_ = 0;
  flows_.retain([&](FlowSlot& slot) {
    if (!slot.memory) return slot.source != nullptr;  // one that never showed media costs one look when it comes again
    auto& candidates = slot.memory->candidates;
    std::erase_if(candidates, [&](const Candidate& c) { return c.packets.empty() || c.packets.back().when < since; });
    for (const auto& candidate : candidates) held_octets_ += candidate.octets.capacity();
    return !candidates.empty() || !slot.memory->sources.empty();
  });
}

// Moving those that stay costs no more than beginning them anew did.
void Tap::forget_sources(SystemTime since) {
  const auto keep = [&](const Source& source) { return source.heard() >= since && source.heard() <= newest_; };
  bool all = true;
  for (std::size_t i = 0; i < sources_.size() && all; ++i) all = keep(sources_[i]);
  if (all) return;
  std::unordered_map<const Source*, Source*> places;
  places.reserve(sources_.size());
  const auto now_at = [&](const Source* old) { return old ? places.at(old) : nullptr; };
  sources_.retain(keep, [&](const Source* old, Source* now) { places.emplace(old, now); });
  for (auto& [sender, source] : by_sender_) source = now_at(source);
  std::erase_if(by_sender_, [](const auto& entry) { return !entry.second; });
  for (auto& [flow, connection] : connections_) connection->sources_moved(now_at);
  flows_.each([&](FlowSlot& slot) {
    slot.source = now_at(slot.source);
    if (!slot.memory) return;
    auto& known = slot.memory->sources;
    for (auto& [ssrc, source] : known) source = now_at(source);
    std::erase_if(known, [](const auto& entry) { return !entry.second; });
    if (slot.source) return;
    slot.source = known.empty() ? nullptr : known.front().second;
    slot.ssrc = known.empty() ? 0 : known.front().first;
  });
}

}  // namespace tallywire::tap
