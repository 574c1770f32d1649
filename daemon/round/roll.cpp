#include "daemon/round/roll.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
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

constexpr std::array<const char*, 5> matches = {"", "hardware_address", "serial", "port", "address"};

bool present(Presence p) { return p != Presence::awaited && p != Presence::lost; }

}  // namespace

const char* name_of(MatchedBy by) { return matches[static_cast<std::size_t>(by)]; }

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
    if (camera.serial) by_serial_[*camera.serial] = entries_.size();
    by_port_[camera.switch_id + "/" + camera.port] = entries_.size();
    by_address_[camera.address] = entries_.size();
    by_id_[camera.id] = entries_.size();
    Entry entry;
    entry.camera = camera.id;
    entry.since = now;
    entry.address = camera.address;
    if (camera.hardware_address) entry.hardware_address = *camera.hardware_address;
    entries_.push_back(std::move(entry));
  }
}

// A design that names the hardware address or the serial number means that unit, not whoever took its port or address.
bool Roll::may_be(std::size_t index, const Sight& sight) const {
  const auto& camera = design_.cameras[index];
  if (camera.hardware_address) return false;
  return !camera.serial || sight.serial.empty() || *camera.serial == sight.serial;
}

std::pair<const Entry*, MatchedBy> Roll::match(const Sight& sight) const {
  const auto found = [this](const auto& index, const std::string& key) {
    const auto at = key.empty() ? index.end() : index.find(key);
    return at == index.end() ? entries_.size() : at->second;
  };
  const auto none = entries_.size();
  auto at = found(by_hardware_, sight.hardware_address);
  for (std::size_t i = 0; at == none && i < sight.other_hardware_addresses.size(); ++i)
    at = found(by_hardware_, sight.other_hardware_addresses[i]);
  if (at != none) return {&entries_[at], MatchedBy::hardware_address};
  at = found(by_serial_, sight.serial);
  // Its serial number fits, and its hardware address is not the one that the design gives: a finding, not another camera.
  if (at != none) return {&entries_[at], MatchedBy::serial};
  at = found(by_port_, sight.seen_on);
  if (at != none && may_be(at, sight)) return {&entries_[at], MatchedBy::port};
  at = found(by_address_, sight.address);
  if (at != none && may_be(at, sight)) return {&entries_[at], MatchedBy::address};
  return {nullptr, MatchedBy::nothing};
}

void Roll::arrive(Entry& entry, SystemTime when, Changes& out) {
  entry.last_heard = when;
  entry.asked_in_vain = 0;
  if (present(entry.presence)) return;
  const auto was = entry.presence;
  entry.presence = Presence::arrived;
  entry.since = when;
  entry.arrived = when;
  entry.reason.clear();
  out.cameras.push_back({entry, was});
}

void Roll::lose(Entry& entry, SystemTime when, std::string reason, Changes& out) {
  const auto was = entry.presence;
  entry.presence = Presence::lost;
  entry.left = entry.last_heard.value_or(when);
  entry.arrived_before = entry.arrived;
  entry.arrived.reset();
  entry.since = when;
  entry.reason = std::move(reason);
  out.cameras.push_back({entry, was});
}

Changes Roll::see(const Sight& sight) {
  Changes out;
  if (own_.contains(sight.hardware_address)) return out;
  const auto [matched, by] = match(sight);
  if (!matched) {
    see_stranger(sight, out);
    return out;
  }
  auto& entry = entries_[static_cast<std::size_t>(matched - entries_.data())];
  out.matched = true;
  // A weaker match does not take the place of the unit that a stronger one found.
  if (by > entry.matched_by && entry.matched_by != MatchedBy::nothing && present(entry.presence) && sight.hardware_address != entry.hardware_address) {
    out.matched = false;
    see_stranger(sight, out);
    return out;
  }
  entry.matched_by = by;
  if (!sight.hardware_address.empty()) entry.hardware_address = sight.hardware_address;
  if (!sight.address.empty()) entry.address = sight.address;
  if (!sight.seen_on.empty()) entry.seen_on = sight.seen_on;
  entry.interface = sight.interface;
  entry.vlans = sight.vlans;
  entry.answers_here = true;
  strangers_.erase(sight.hardware_address);
  for (const auto& other : sight.other_hardware_addresses) strangers_.erase(other);
  arrive(entry, sight.when, out);
  return out;
}

void Roll::not_a_unit(const std::string& hardware_address) {
  if (infrastructure_.size() < most_strangers) infrastructure_.insert(hardware_address);
  strangers_.erase(hardware_address);
}

void Roll::see_stranger(const Sight& sight, Changes& out) {
  if (infrastructure_.contains(sight.hardware_address)) return;
  if (known_addresses_.contains(sight.address) || sight.is_network) {
    return not_a_unit(sight.hardware_address);
  }
  const auto key = sight.hardware_address.empty() ? sight.name : sight.hardware_address;
  const auto known = strangers_.find(key);
  if (known == strangers_.end() && strangers_.size() >= most_strangers) return;
  auto& stranger = strangers_[key];
  const bool fresh = known == strangers_.end();
  const bool told_address = !sight.address.empty() && stranger.address != sight.address;
  const bool told_name = stranger.name != sight.name;
  stranger.hardware_address = key;
  stranger.maker = sight.maker;
  stranger.name = sight.name;
  if (!sight.seen_on.empty()) stranger.seen_on = sight.seen_on;
  if (fresh) stranger.first_seen = sight.when;
  if (told_address) stranger.address = sight.address;
  if (fresh || told_address || told_name) out.strangers.push_back(stranger);
}

Changes Roll::heard(const std::string& camera, SystemTime when) {
  Changes out;
  if (const auto at = by_id_.find(camera); at != by_id_.end()) arrive(entries_[at->second], when, out);
  return out;
}

std::vector<DueAsk> Roll::due_asks(SystemTime now, std::size_t most, bool awaited_too) const {
  std::vector<std::size_t> due;
  for (std::size_t i = 0; i < entries_.size(); ++i) {
    const auto& entry = entries_[i];
    const bool here = present(entry.presence);
    if (!here && !awaited_too) continue;
    if (here && entry.last_heard && now - *entry.last_heard < silent_before_ask) continue;
    const auto pause = here ? between_asks : between_asks_of_absent;
    if (!entry.last_asked || now - *entry.last_asked >= pause) due.push_back(i);
  }
  const auto sooner = [this](std::size_t a, std::size_t b) {
    const bool a_here = present(entries_[a].presence), b_here = present(entries_[b].presence);
    return a_here != b_here ? a_here : entries_[a].last_asked < entries_[b].last_asked;
  };
  if (due.size() > most) {
    std::partial_sort(due.begin(), due.begin() + static_cast<std::ptrdiff_t>(most), due.end(), sooner);
    due.resize(most);
  }
  std::vector<DueAsk> out;
  for (const auto i : due) {
    const auto& entry = entries_[i];
    const bool here = present(entry.presence) && entry.answers_here;
    const auto& designed = design_.cameras[i].address;
    out.push_back({entry.camera, here && !entry.address.empty() ? entry.address : designed, here ? entry.interface : "",
                   here ? entry.vlans : std::vector<std::uint16_t>()});
  }
  return out;
}

void Roll::asked(const std::string& camera, SystemTime now) {
  const auto at = by_id_.find(camera);
  if (at == by_id_.end()) return;
  entries_[at->second].last_asked = now;
  ++entries_[at->second].asked_in_vain;
}

Changes Roll::tick(SystemTime now, const std::set<std::string>& listening) {
  Changes out;
  const auto limit = std::chrono::duration_cast<std::chrono::nanoseconds>(
      std::chrono::duration<double>(design_.limits.lost_after_s));
  for (auto& entry : entries_) {
    if (!present(entry.presence) || !entry.answers_here || !entry.last_heard) continue;
    if (entry.interface.empty() ? listening.empty() : !listening.contains(entry.interface)) continue;
    if (now - *entry.last_heard < limit || entry.asked_in_vain < asks_before_lost) continue;
    if (!entry.last_asked || now - *entry.last_asked < answer_time) continue;
    const auto silence = std::chrono::duration_cast<seconds>(now - *entry.last_heard).count();
    lose(entry, now, "silent for " + std::to_string(silence) + " s and unanswered " + std::to_string(entry.asked_in_vain) + " times", out);
  }
  return out;
}

Changes Roll::port_down(const std::string& switch_port, SystemTime now) {
  Changes out;
  const auto designed = by_port_.find(switch_port);
  for (std::size_t i = 0; i < entries_.size(); ++i) {
    auto& entry = entries_[i];
    const bool hangs_there = entry.seen_on.empty() ? designed != by_port_.end() && designed->second == i : entry.seen_on == switch_port;
    // A unit that speaks hangs elsewhere by now.
    const bool silent = !entry.last_heard || now - *entry.last_heard >= silent_before_ask;
    if (hangs_there && silent && present(entry.presence)) lose(entry, now, "its port " + switch_port + " has no link", out);
  }
  return out;
}

Changes Roll::judged(const std::string& camera, Presence is, const std::string& reason, SystemTime now) {
  Changes out;
  const auto at = by_id_.find(camera);
  if (at == by_id_.end() || !present(entries_[at->second].presence)) return out;
  auto& entry = entries_[at->second];
  const auto was = entry.presence;
  entry.reason = reason;
  if (is == was) return out;
  entry.presence = is;
  entry.since = now;
  out.cameras.push_back({entry, was});
  return out;
}

void Roll::place(const std::string& hardware_address, const std::string& seen_on) {
  if (const auto at = strangers_.find(hardware_address); at != strangers_.end())
    at->second.seen_on = seen_on;
  for (auto& entry : entries_)
    if (entry.hardware_address == hardware_address) entry.seen_on = seen_on;
}

const Entry* Roll::find(const std::string& camera) const {
  const auto at = by_id_.find(camera);
  return at == by_id_.end() ? nullptr : &entries_[at->second];
}

// The design knows a recorder by its address and its port. Who hangs there and has said no IPv4 address yet is taken for it.
bool Roll::is_recorder(const verdict::Stranger& stranger) const {
  const bool says_ipv4 = stranger.address.find('.') != std::string::npos;
  return !says_ipv4 && !stranger.seen_on.empty() &&
         std::any_of(design_.recorders.begin(), design_.recorders.end(),
                     [&](const auto& recorder) { return stranger.seen_on == recorder.switch_id + "/" + recorder.port; });
}

std::vector<verdict::Stranger> Roll::strangers() const {
  std::vector<verdict::Stranger> out;
  for (const auto& [hardware, stranger] : strangers_)
    if (!is_recorder(stranger)) out.push_back(stranger);
  return out;
}

void Roll::restore(const nlohmann::json& saved, SystemTime now) {
  if (!saved.is_array()) return;
  for (const auto& one : saved) {
    const auto at = by_id_.find(one.value("camera", std::string()));
    const auto presence = presence_of(one.value("presence", std::string()));
    if (at == by_id_.end() || !presence) continue;
    auto& entry = entries_[at->second];
    entry.presence = *presence;
    entry.since = from_rfc3339(one.at("since"));
    entry.seen_on = one.value("seen_on", std::string());
    entry.reason = one.value("reason", std::string());
    entry.hardware_address = one.value("hardware_address", entry.hardware_address);
    entry.address = one.value("address", entry.address);
    if (const auto by = one.find("matched_by"); by != one.end() && by->is_string())
      for (std::size_t i = 0; i < matches.size(); ++i)
        if (*by == matches[i]) entry.matched_by = static_cast<MatchedBy>(i);
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
         {"matched_by", e.matched_by == MatchedBy::nothing ? nlohmann::json() : nlohmann::json(name_of(e.matched_by))},
         {"reason", e.reason}};
}

}  // namespace tallywire::round
