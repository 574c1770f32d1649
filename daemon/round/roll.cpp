#include "daemon/round/roll.hpp"

#include <nlohmann/json.hpp>

#include <array>

namespace tallywire::round {
namespace {

using std::chrono::seconds;

// Asks are few: a unit that speaks by itself is not asked. A silent one is asked in time for three
// asks before it counts as lost.
constexpr seconds silent_before_ask{4};
constexpr seconds between_asks{3};
constexpr seconds between_asks_of_absent{5};
constexpr seconds answer_time{1};
constexpr int asks_before_lost = 3;
// A stranger list has a ceiling: a flood of forged addresses must not eat the machine.
constexpr std::size_t most_strangers = 1000;

constexpr std::array<const char*, 5> names = {"awaited", "arrived", "proven", "wanting", "lost"};

bool present(Presence p) { return p != Presence::awaited && p != Presence::lost; }

}  // namespace

const char* name_of(Presence presence) { return names[static_cast<std::size_t>(presence)]; }

std::optional<Presence> presence_of(const std::string& name) {
  for (std::size_t i = 0; i < names.size(); ++i)
    if (name == names[i]) return static_cast<Presence>(i);
  return std::nullopt;
}

Roll::Roll(const config::Design& design, std::set<std::string> own_addresses, SystemTime now)
    : design_(design), own_(std::move(own_addresses)) {
  for (const auto& sw : design.switches) known_addresses_.insert(sw.address);
  for (const auto& recorder : design.recorders) known_addresses_.insert(recorder.address);
  if (design.far_end) known_addresses_.insert(design.far_end->address);
  for (const auto& camera : design.cameras) {
    if (camera.hardware_address) by_hardware_[*camera.hardware_address] = entries_.size();
    by_address_[camera.address] = entries_.size();
    Entry entry;
    entry.camera = camera.id;
    entry.since = now;
    entry.address = camera.address;
    if (camera.hardware_address) entry.hardware_address = *camera.hardware_address;
    entries_.push_back(std::move(entry));
  }
}

Entry* Roll::by_sight(const Sight& sight) {
  if (const auto at = by_hardware_.find(sight.hardware_address); at != by_hardware_.end())
    return &entries_[at->second];
  const auto at = by_address_.find(sight.address);
  if (at == by_address_.end()) return nullptr;
  // A design that names the hardware address means that unit, not whoever took its address.
  if (design_.cameras[at->second].hardware_address) return nullptr;
  return &entries_[at->second];
}

Changes Roll::arrive(Entry& entry, SystemTime when) {
  Changes out;
  entry.last_heard = when;
  entry.asked_in_vain = 0;
  if (present(entry.presence)) return out;
  const auto was = entry.presence;
  entry.presence = Presence::arrived;
  entry.since = when;
  entry.reason.clear();
  out.cameras.push_back({entry, was});
  return out;
}

Changes Roll::see(const Sight& sight) {
  Changes out;
  if (own_.contains(sight.hardware_address) || infrastructure_.contains(sight.hardware_address))
    return out;
  if (Entry* entry = by_sight(sight)) {
    entry->hardware_address = sight.hardware_address;
    if (!sight.address.empty()) entry->address = sight.address;
    entry->answers_here = true;
    return arrive(*entry, sight.when);
  }
  if (known_addresses_.contains(sight.address)) {
    infrastructure_.insert(sight.hardware_address);
    strangers_.erase(sight.hardware_address);
    return out;
  }
  const auto known = strangers_.find(sight.hardware_address);
  if (known == strangers_.end() && strangers_.size() >= most_strangers) return out;
  auto& stranger = strangers_[sight.hardware_address];
  const bool fresh = known == strangers_.end();
  const bool told_address = !sight.address.empty() && stranger.address != sight.address;
  stranger.hardware_address = sight.hardware_address;
  if (fresh) stranger.first_seen = sight.when;
  if (told_address) stranger.address = sight.address;
  if (fresh || told_address) out.strangers.push_back(stranger);
  return out;
}

Changes Roll::heard(const std::string& camera, SystemTime when) {
  for (auto& entry : entries_)
    if (entry.camera == camera) return arrive(entry, when);
  return {};
}

std::vector<std::string> Roll::take_due_asks(SystemTime now) {
  std::vector<std::string> out;
  for (std::size_t i = 0; i < entries_.size(); ++i) {
    auto& entry = entries_[i];
    const bool here = present(entry.presence);
    if (here && entry.last_heard && now - *entry.last_heard < silent_before_ask) continue;
    const auto pause = here ? between_asks : between_asks_of_absent;
    if (entry.last_asked && now - *entry.last_asked < pause) continue;
    entry.last_asked = now;
    ++entry.asked_in_vain;
    out.push_back(design_.cameras[i].address);
  }
  return out;
}

Changes Roll::tick(SystemTime now) {
  Changes out;
  const auto limit = std::chrono::duration_cast<std::chrono::nanoseconds>(
      std::chrono::duration<double>(design_.limits.lost_after_s));
  for (auto& entry : entries_) {
    if (!present(entry.presence) || !entry.answers_here || !entry.last_heard) continue;
    if (now - *entry.last_heard < limit || entry.asked_in_vain < asks_before_lost) continue;
    if (!entry.last_asked || now - *entry.last_asked < answer_time) continue;
    const auto was = entry.presence;
    entry.presence = Presence::lost;
    entry.since = now;
    entry.reason = "silent for " +
                   std::to_string(std::chrono::duration_cast<seconds>(now - *entry.last_heard).count()) +
                   " s and unanswered " + std::to_string(entry.asked_in_vain) + " times";
    out.cameras.push_back({entry, was});
  }
  return out;
}

Changes Roll::judged(const std::string& camera, bool wanting, const std::string& reason,
                     SystemTime now) {
  Changes out;
  for (auto& entry : entries_) {
    if (entry.camera != camera || !present(entry.presence)) continue;
    const auto next = wanting ? Presence::wanting : Presence::proven;
    const auto was = entry.presence;
    entry.reason = reason;
    if (next == was) continue;
    entry.presence = next;
    entry.since = now;
    out.cameras.push_back({entry, was});
  }
  return out;
}

void Roll::place(const std::string& hardware_address, const std::string& seen_on) {
  if (const auto at = strangers_.find(hardware_address); at != strangers_.end())
    at->second.seen_on = seen_on;
  for (auto& entry : entries_)
    if (entry.hardware_address == hardware_address) entry.seen_on = seen_on;
}

const Entry* Roll::find(const std::string& camera) const {
  for (const auto& entry : entries_)
    if (entry.camera == camera) return &entry;
  return nullptr;
}

std::vector<verdict::Stranger> Roll::strangers() const {
  std::vector<verdict::Stranger> out;
  for (const auto& [hardware, stranger] : strangers_) out.push_back(stranger);
  return out;
}

void Roll::restore(const nlohmann::json& saved, SystemTime now) {
  if (!saved.is_array()) return;
  for (const auto& one : saved)
    for (auto& entry : entries_) {
      if (one.value("camera", std::string()) != entry.camera) continue;
      const auto presence = presence_of(one.value("presence", std::string()));
      if (!presence) continue;
      entry.presence = *presence;
      entry.since = from_rfc3339(one.at("since"));
      entry.seen_on = one.value("seen_on", std::string());
      entry.reason = one.value("reason", std::string());
      if (!present(*presence)) continue;
      // Nobody listened while the service was away: the clock of silence starts now.
      entry.last_heard = now;
      entry.answers_here = true;
    }
}

void to_json(nlohmann::json& out, const Entry& e) {
  out = {{"camera", e.camera},
         {"presence", name_of(e.presence)},
         {"since", to_rfc3339(e.since)},
         {"address", e.address},
         {"hardware_address", e.hardware_address},
         {"seen_on", e.seen_on},
         {"reason", e.reason}};
}

}  // namespace tallywire::round
