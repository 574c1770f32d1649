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

// Two units of one kind may carry the same filler instead of a serial number: 000000, 0123456789.
bool names_one_unit(const std::string& serial) {
  const std::set<char> different(serial.begin(), serial.end());
  std::size_t steps = 0;
  for (std::size_t i = 1; i < serial.size(); ++i) steps += serial[i] == serial[i - 1] + 1 || (serial[i - 1] == '9' && serial[i] == '0');
  return serial.size() >= 6 && different.size() >= 4 && steps + 2 < serial.size();
}

// Two devices that answer ONVIF under different names are two, whatever their serial numbers say.
bool differ_by_endpoint(const Unit& a, const Unit& b) {
  const auto x = a.value_of(What::endpoint), y = b.value_of(What::endpoint);
  return !x.empty() && !y.empty() && x != y;
}

// Both were heard, each with an address of its own, at the same time: two units of which one was copied from the other, or two cards of
// one unit that are both up. Overlapping stretches stay true when one of them falls silent later.
bool live_apart(const Unit& a, const Unit& b, SystemTime now) {
  if (a.hardware_addresses.empty() || b.hardware_addresses.empty()) return false;
  const auto own = [](const Unit& unit, const Unit& other) {
    std::vector<const Fact*> out;
    for (const auto& fact : unit.facts)
      if ((fact.what == What::ipv4_address || fact.what == What::ipv6_address) &&
          std::none_of(other.facts.begin(), other.facts.end(), [&](const Fact& f) { return f.what == fact.what && f.value == fact.value; }))
        out.push_back(&fact);
    return out;
  };
  const auto of_a = own(a, b), of_b = own(b, a);
  return std::any_of(of_a.begin(), of_a.end(), [&](const Fact* x) {
    return std::any_of(of_b.begin(), of_b.end(), [&](const Fact* y) {
      const bool overlap = x->first_heard <= y->last_heard && y->first_heard <= x->last_heard;
      return overlap || now - std::min(x->last_heard, y->last_heard) <= fact_pause;
    });
  });
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
  std::erase_if(hearing_, [index](const Heard& h) { return h.unit == index; });
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
  for (auto& one : hearing_)
    if (one.unit == other) one.unit = into;
  for (const auto& address : b.hardware_addresses) by_hardware_[address] = into;
  for (const auto& key : memory.identities) by_identity_[key] = into;
  auto& names = memory_[into].identities;
  names.insert(names.end(), memory.identities.begin(), memory.identities.end());
  for (; names.size() > most_names; names.erase(names.begin())) by_identity_.erase(names.front());
  a.hardware_addresses.insert(a.hardware_addresses.end(), b.hardware_addresses.begin(), b.hardware_addresses.end());
  if (a.maker.empty()) a.maker = b.maker;
  if (b.first_heard < a.first_heard) a.number = std::min(a.number, b.number);
  a.first_heard = std::min(a.first_heard, b.first_heard);
  a.last_heard = std::max(a.last_heard, b.last_heard);
  a.facts.insert(a.facts.end(), b.facts.begin(), b.facts.end());
  while (a.facts.size() > most_facts) a.facts.erase(a.facts.begin());
  a.frames += b.frames;
  a.is_network = a.is_network || b.is_network;
  a.serves_dhcp = a.serves_dhcp || b.serves_dhcp;
  for (const auto& place : b.places)
    if (a.places.size() < most_places && std::find(a.places.begin(), a.places.end(), place) == a.places.end()) a.places.push_back(place);
  if (b.starts.size() > a.starts.size()) {
    a.starts = b.starts;
    memory_[into].starts = memory.starts;
  }
  memory_[into].is_served = memory_[into].is_served || memory.is_served;
  memory_[into].was_ever_served = memory_[into].was_ever_served || memory.was_ever_served;
  memory_[into].kept = memory_[into].kept || memory.kept;
  forget(other);
}

// What a unit says of itself leads to its entry; another entry that said the same becomes one with it. `speaker`: whose frame it came in;
// when that is the other entry, the device has told both hardware addresses itself.
void UnitTable::bind_identity(std::size_t index, const std::string& name, std::optional<std::size_t> speaker) {
  const auto key = name.substr(0, longest_name);
  auto& own = memory_[index].identities;
  if (own.size() >= most_names && !by_identity_.contains(key)) {
    by_identity_.erase(own.front());
    own.erase(own.begin());
  }
  const auto [at, fresh] = by_identity_.try_emplace(key, index);
  if (fresh) own.push_back(key);
  if (at->second == index) return;
  const auto other = at->second;
  const bool by_serial = key.starts_with("serial ");
  const auto& a = units_[index];
  const auto& b = units_[other];
  if (by_serial && (!names_one_unit(key.substr(7)) || !share_maker(a, b) || differ_by_endpoint(a, b))) return;
  if (a.hardware_addresses.size() + b.hardware_addresses.size() > most_names) return;
  if (speaker != other && live_apart(a, b, a.last_heard)) return;
  join(index, other);
}

void UnitTable::mark(std::size_t index, const Sighting& sighting, const std::string& interface) {
  auto& unit = units_[index];
  unit.last_heard = std::max(unit.last_heard, sighting.when);
  unit.vlans = sighting.vlans;
  unit.interface = interface;
  if (const Place place{interface, sighting.vlans}; std::find(unit.places.begin(), unit.places.end(), place) == unit.places.end()) {
    if (unit.places.size() >= most_places) unit.places.erase(unit.places.begin());
    unit.places.push_back(place);
  }
  unit.said_goodbye = false;
  ++unit.frames;
}

void UnitTable::tell(Speaker& s, What what, Source source, const std::string& value) {
  if (value.empty()) return;
  const auto text = value.substr(0, longest_name);
  auto& facts = s.unit->facts;
  const auto at = std::find_if(facts.begin(), facts.end(), [&](const Fact& f) { return f.what == what && f.source == source && f.value == text; });
  if (at == facts.end()) {
    // Whoever changes one of its facts again and again, as one that answers for others, keeps the rest of them.
    const auto of_kind = std::count_if(facts.begin(), facts.end(), [what](const Fact& f) { return f.what == what; });
    const bool kind_is_full = of_kind >= std::ptrdiff_t{most_facts_of_a_kind};
    if (kind_is_full || facts.size() >= most_facts)
      facts.erase(std::min_element(facts.begin(), facts.end(), [&](const Fact& a, const Fact& b) {
        if (kind_is_full && (a.what == what) != (b.what == what)) return a.what == what;
        return a.last_heard < b.last_heard;
      }));
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
  choose_starts(static_cast<std::size_t>(s.unit - units_.data()));
}

// The kind of sign that was seen most often stands for the unit. Addresses are also probed when a lease is renewed (RFC 2131 §3.1,
// step 5), so these probes count only where nothing better would show a start: no lease, no IPv6.
void UnitTable::choose_starts(std::size_t index) {
  auto& unit = units_[index];
  const auto& memory = memory_[index];
  const bool speaks_ipv6 = std::any_of(unit.facts.begin(), unit.facts.end(), [](const Fact& f) {
    return f.source == Source::neighbour_discovery || f.source == Source::listener_report;
  });
  const std::vector<SystemTime>* most = nullptr;
  for (const auto sign : {Sign::address_probed, Sign::ipv6_address_probed, Sign::dhcp_began, Sign::instance_rose}) {
    if (sign == Sign::address_probed && (memory.was_ever_served || speaks_ipv6)) continue;
    const auto& list = memory.starts[static_cast<std::size_t>(sign)];
    if (!most || list.size() >= most->size()) most = &list;
  }
  if (most) unit.starts = *most;
}

DhcpServer* UnitTable::server(const std::string& address, const Sighting& sighting, const std::string& interface) {
  for (auto& one : servers_)
    if (one.address == address && one.interface == interface && one.vlans == sighting.vlans) {
      one.last_heard = sighting.when;
      return &one;
    }
  if (servers_.size() >= most_servers)
    servers_.erase(std::min_element(servers_.begin(), servers_.end(), [](const DhcpServer& a, const DhcpServer& b) {
      const auto spoke = [](const DhcpServer& s) { return s.through_relay || !s.hardware_address.empty(); };
      return std::pair(spoke(a), a.last_heard) < std::pair(spoke(b), b.last_heard);
    }));
  servers_.push_back({address, "", interface, sighting.vlans, "", sighting.when, sighting.when, false});
  return &servers_.back();
}

}  // namespace tallywire::arrivals
