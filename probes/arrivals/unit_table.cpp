// Which unit a frame speaks of, and what is kept of it; what each protocol says is in unit_table_hear.cpp.
#include "probes/arrivals/unit_table.hpp"

#include <algorithm>

namespace tallywire::arrivals {
namespace {

using namespace std::chrono_literals;

// One start shows the same sign again within this time: three ARP probes are up to 2 s apart (RFC 5227 §1.1), a unit solicits its
// link-local address once (RFC 4862 §5.1) and some do so three times.
constexpr auto repeats_within = 8s;
constexpr std::size_t most_signs = 32;

constexpr std::size_t looked_at_for_room = 32;

// Two units of one kind may carry the same placeholder instead of a serial number.
bool names_one_unit(const std::string& serial) {
  const std::set<char> different(serial.begin(), serial.end());
  return serial.size() >= 6 && different.size() >= 4;
}

bool share_maker(const Unit& a, const Unit& b) {
  if (a.hardware_addresses.empty() || b.hardware_addresses.empty()) return false;
  const auto& x = a.hardware_addresses.front().octets;
  return std::equal(x.begin(), x.begin() + 3, b.hardware_addresses.front().octets.begin());
}

}  // namespace

UnitTable::UnitTable(const MakerNames* makers, const std::vector<wire::MacAddress>& own) : makers_(makers), own_(own.begin(), own.end()) {}

const Unit* UnitTable::find(const wire::MacAddress& address) const {
  const auto at = by_hardware_.find(address);
  return at == by_hardware_.end() ? nullptr : &units_[at->second];
}

std::size_t UnitTable::add(SystemTime when, Heard& heard) {
  if (free_.empty() && units_.size() >= most_units) {
    std::optional<std::size_t> oldest;
    for (std::size_t i = 0; i < units_.size() && (i < looked_at_for_room || !oldest); ++i) {
      sweep_at_ = (sweep_at_ + 1) % units_.size();
      if (!memory_[sweep_at_].kept && (!oldest || units_[sweep_at_].last_heard < units_[*oldest].last_heard)) oldest = sweep_at_;
    }
    ++forgotten_;
    forget(oldest.value_or(sweep_at_));
  }
  std::size_t index = units_.size();
  if (free_.empty()) {
    units_.emplace_back();
    memory_.emplace_back();
  } else {
    index = free_.back();
    free_.pop_back();
  }
  units_[index].number = next_number_++;
  units_[index].first_heard = when;
  heard.fresh = true;
  return index;
}

void UnitTable::forget(std::size_t index) {
  for (const auto& address : units_[index].hardware_addresses) by_hardware_.erase(address);
  for (const auto& key : memory_[index].identities) by_identity_.erase(key);
  units_[index] = {};
  memory_[index] = {};
  free_.push_back(index);
}

std::size_t UnitTable::unit_of(const wire::MacAddress& address, SystemTime when, Heard& heard) {
  if (const auto at = by_hardware_.find(address); at != by_hardware_.end()) return at->second;
  const auto index = add(when, heard);
  by_hardware_[address] = index;
  units_[index].hardware_addresses = {address};
  if (makers_) units_[index].maker = makers_->maker_of(address).value_or("");
  return index;
}

// Everything of `other` goes over; the entry itself makes room.
void UnitTable::join(std::size_t into, std::size_t other) {
  auto& a = units_[into];
  const Unit b = std::move(units_[other]);
  const Memory memory = std::move(memory_[other]);
  units_[other] = {};
  memory_[other] = {};
  for (const auto& address : b.hardware_addresses) by_hardware_[address] = into;
  for (const auto& key : memory.identities) by_identity_[key] = into;
  memory_[into].identities.insert(memory_[into].identities.end(), memory.identities.begin(), memory.identities.end());
  a.hardware_addresses.insert(a.hardware_addresses.end(), b.hardware_addresses.begin(), b.hardware_addresses.end());
  if (a.maker.empty()) a.maker = b.maker;
  if (b.first_heard < a.first_heard) a.number = std::min(a.number, b.number);
  a.first_heard = std::min(a.first_heard, b.first_heard);
  a.facts.insert(a.facts.end(), b.facts.begin(), b.facts.end());
  while (a.facts.size() > most_facts) a.facts.erase(a.facts.begin());
  a.frames += b.frames;
  a.is_network = a.is_network || b.is_network;
  a.serves_dhcp = a.serves_dhcp || b.serves_dhcp;
  if (b.starts.size() > a.starts.size()) {
    a.starts = b.starts;
    memory_[into].starts = memory.starts;
  }
  memory_[into].kept = memory_[into].kept || memory.kept;
  forget(other);
}

// What a unit says of itself leads to its entry; another entry that said the same becomes one with it.
void UnitTable::bind_identity(std::size_t index, const std::string& key) {
  const auto [at, fresh] = by_identity_.try_emplace(key, index);
  if (fresh) memory_[index].identities.push_back(key);
  if (at->second == index) return;
  const auto other = at->second;
  const bool by_serial = key.starts_with("serial ");
  if (by_serial && (!names_one_unit(key.substr(7)) || !share_maker(units_[index], units_[other]))) return;
  join(index, other);
}

void UnitTable::mark(std::size_t index, const Sighting& sighting, const std::string& interface) {
  auto& unit = units_[index];
  unit.last_heard = std::max(unit.last_heard, sighting.when);
  unit.vlans = sighting.vlans;
  unit.interface = interface;
  unit.said_goodbye = false;
  ++unit.frames;
}

void UnitTable::tell(Speaker& s, What what, Source source, const std::string& value) {
  constexpr std::size_t longest_value = 256;
  if (value.empty()) return;
  const auto text = value.substr(0, longest_value);
  auto& facts = s.unit->facts;
  const auto at = std::find_if(facts.begin(), facts.end(), [&](const Fact& f) { return f.what == what && f.source == source && f.value == text; });
  if (at == facts.end()) {
    if (facts.size() >= most_facts)
      facts.erase(std::min_element(facts.begin(), facts.end(), [](const Fact& a, const Fact& b) { return a.last_heard < b.last_heard; }));
    facts.push_back({what, text, source, s.when, s.when, s.when});
    s.heard->told_new = true;
    return;
  }
  if (s.when - at->last_heard > fact_pause) at->since = s.when;
  at->last_heard = std::max(at->last_heard, s.when);
}

// `is_again`: the sign is one of a new start whatever the time since the last one.
void UnitTable::start(Speaker& s, Sign sign, const std::string& of_what, bool is_again) {
  auto& signs = s.memory->last_sign;
  if (signs.size() >= most_signs) signs.clear();
  const auto [at, fresh] = signs.try_emplace({sign, of_what}, s.when);
  const auto since_last = s.when - at->second;
  at->second = s.when;
  auto& list = s.memory->starts[static_cast<std::size_t>(sign)];
  const bool repeats = !is_again && ((!fresh && since_last < repeats_within) || (!list.empty() && s.when - list.back() < repeats_within));
  if (repeats) return;
  if (list.size() >= most_starts) list.erase(list.begin());
  list.push_back(s.when);
  s.heard->started = true;
  if (list.size() >= s.unit->starts.size()) s.unit->starts = list;
}

DhcpServer* UnitTable::server(const std::string& address, const Sighting& sighting, const std::string& interface) {
  for (auto& one : servers_)
    if (one.address == address && one.interface == interface && one.vlans == sighting.vlans) {
      one.last_heard = sighting.when;
      return &one;
    }
  if (servers_.size() >= most_servers) return nullptr;
  servers_.push_back({address, "", interface, sighting.vlans, "", sighting.when, sighting.when});
  return &servers_.back();
}

}  // namespace tallywire::arrivals
