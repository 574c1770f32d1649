#include "daemon/verdict/arrival_findings.hpp"

#include "daemon/verdict/words.hpp"
#include "probes/wire/arp.hpp"

#include <algorithm>
#include <bit>
#include <cstdio>
#include <map>

namespace tallywire::verdict {
namespace {

using namespace std::chrono_literals;

constexpr auto server_memory = 10min;  // two DHCP servers within this are there at once
constexpr auto claim_memory = 10min;   // who has not claimed an address for that long while another did has left it
constexpr auto hand_over = 1s;         // nobody takes an address over sooner: both answered one question
constexpr auto offers_take = 10s;      // both may answer one question, and only one of them is heard again
constexpr auto still_held = 5min;      // another address that was heard within this is another one of the same unit
constexpr auto camera_holds = 30s;     // a camera of the design is asked for its address all the while
constexpr std::size_t most_own = 4;    // who is heard with more at once answers for others (RFC 1027)

std::optional<std::uint32_t> number_of(const std::string& address) {
  const auto octets = wire::decode_ipv4(address);
  if (!octets) return std::nullopt;
  return std::uint32_t{(*octets)[0]} << 24 | std::uint32_t{(*octets)[1]} << 16 | std::uint32_t{(*octets)[2]} << 8 | (*octets)[3];
}

std::string address_of(std::uint32_t number) {
  return wire::text_of({static_cast<std::uint8_t>(number >> 24), static_cast<std::uint8_t>(number >> 16), static_cast<std::uint8_t>(number >> 8),
                        static_cast<std::uint8_t>(number)});
}

std::uint32_t mask_of(unsigned bits) { return bits == 0 ? 0 : ~std::uint32_t{0} << (32 - std::min(bits, 32u)); }

// RFC 3927 §2.1.
bool is_link_local(std::uint32_t number) { return number >> 16 == 0xa9fe; }

bool is_link_local(const std::string& address) {
  const auto number = number_of(address);
  return number && is_link_local(*number);
}

// A unit may have several addresses at once: the designed one stands for it, else a usable one rather than one of link-local kind
// (which some units keep beside it), else the newest.
const ClaimedAddress* current(const SeenUnit& unit, const config::Camera* camera) {
  SystemTime newest{};
  for (const auto& one : unit.addresses) newest = std::max(newest, one.last_heard);
  const auto held = camera ? std::chrono::seconds(camera_holds) : std::chrono::seconds(still_held);
  const ClaimedAddress* best = nullptr;
  const auto rank = [&](const ClaimedAddress& a) { return camera && a.address == camera->address ? 2 : is_link_local(a.address) ? 0 : 1; };
  for (const auto& one : unit.addresses) {
    if (newest - one.last_heard > held) continue;
    if (!best || std::pair(rank(*best), best->last_heard) < std::pair(rank(one), one.last_heard)) best = &one;
  }
  return best;
}

// Of a router that several machines are in turn: VRRP (RFC 9568 §7.3), HSRP (RFC 2281 §5.1).
bool is_virtual_router(const SeenUnit& unit) {
  return std::any_of(unit.hardware_addresses.begin(), unit.hardware_addresses.end(), [](const std::string& a) {
    return a.starts_with("00:00:5e:00:01:") || a.starts_with("00:00:5e:00:02:") || a.starts_with("00:00:0c:07:ac:");
  });
}

bool answers_for_others(const SeenUnit& unit) {
  return std::count_if(unit.addresses.begin(), unit.addresses.end(), [&](const ClaimedAddress& a) { return unit.last_heard - a.last_heard <= still_held; }) >
         std::ptrdiff_t{most_own};
}

// Two cards of one machine, each of which answers for the addresses of both: nobody copies two addresses by mistake.
bool are_one_machine(const SeenUnit& a, const SeenUnit& b) {
  return std::count_if(a.addresses.begin(), a.addresses.end(), [&](const ClaimedAddress& x) {
           return std::any_of(b.addresses.begin(), b.addresses.end(), [&](const ClaimedAddress& y) { return x.address == y.address; });
         }) > 1;
}

bool meet(const SeenUnit& a, const SeenUnit& b) {
  if (a.places.empty() || b.places.empty()) return true;
  return std::find_first_of(a.places.begin(), a.places.end(), b.places.begin(), b.places.end()) != a.places.end();
}

std::string spoken(const SeenUnit& unit) {
  if (unit.camera.empty()) return "unit " + unit.name;
  return "camera " + unit.camera + " (" + unit.name + ")";
}

std::string capital(std::string text) {
  if (!text.empty() && text[0] >= 'a' && text[0] <= 'z') text[0] = static_cast<char>(text[0] - 'a' + 'A');
  return text;
}

std::string subject_of(const SeenUnit& unit) { return unit.camera.empty() ? "stranger/" + unit.name : "camera/" + unit.camera; }

class Search {
 public:
  Search(const config::Design* design, const Arrivals& arrivals, SystemTime at) : design_(design), all_(arrivals), at_(at) {
    for (const auto& unit : all_.units) {
      if (!unit.camera.empty()) by_camera_[unit.camera] = &unit;
      const bool is_one = !is_virtual_router(unit) && !answers_for_others(unit);
      for (const auto& claim : unit.addresses) {
        if (is_one) claimants_[claim.address].push_back({&unit, &claim});
        taken_.insert(claim.address);
      }
    }
    if (all_.own)
      for (const auto& own : *all_.own) taken_.insert(own.address);
    for (const auto& server : all_.dhcp_servers) taken_.insert(server.address);
    if (!design_) return;
    for (const auto& camera : design_->cameras) {
      taken_.insert(camera.address);
      owner_of_[camera.address] = &camera;
      at_port_[camera.switch_id + "/" + camera.port] = &camera;
    }
  }

  std::vector<Finding> run() {
    for (const auto& [address, claims] : claimants_) claimed_twice(address, claims);
    endpoints();
    dhcp_servers();
    for (const auto& unit : all_.units) {
      restarts(unit);
      if (unit.is_network || is_virtual_router(unit) || (unit.camera.empty() && answers_for_others(unit))) continue;
      if (!swapped(unit)) elsewhere(unit);
      other_serial(unit);
      in_place_of_another(unit);
    }
    for (const auto& [give, units] : out_of_reach_) tell_out_of_reach(give, units);
    return std::move(out_);
  }

 private:
  using Claims = std::vector<std::pair<const SeenUnit*, const ClaimedAddress*>>;

  // Both were heard with it after the other one had begun: nobody took over from somebody who left.
  void claimed_twice(const std::string& address, const Claims& claims) {
    for (std::size_t i = 0; i < claims.size(); ++i)
      for (std::size_t j = i + 1; j < claims.size(); ++j) {
        const auto& [a, a_claim] = claims[i];
        const auto& [b, b_claim] = claims[j];
        if (a == b || a_claim->last_heard + hand_over < b_claim->since || b_claim->last_heard + hand_over < a_claim->since) continue;
        if (std::chrono::abs(a_claim->last_heard - b_claim->last_heard) > claim_memory) continue;
        if (!meet(*a, *b) || are_one_machine(*a, *b)) continue;
        out_.push_back({"address_twice", subject_of(*a), capital(spoken(*a)) + " and " + spoken(*b) + " both say that " + address + " is theirs",
                        "give one of them another address; unplug one and ask the other by its page if you cannot tell which",
                        {a->name + " since " + to_rfc3339(a_claim->since), b->name + " since " + to_rfc3339(b_claim->since)}});
        return;  // one finding for an address, however many claim it
      }
  }

  // Both were there at once: one that took over from the other is a unit whose card was changed.
  static bool overlap(const SeenUnit& a, const SeenUnit& b) {
    if (a.addresses.empty() || b.addresses.empty()) return std::chrono::abs(a.last_heard - b.last_heard) <= claim_memory;
    return std::any_of(a.addresses.begin(), a.addresses.end(), [&](const ClaimedAddress& x) {
      return std::any_of(b.addresses.begin(), b.addresses.end(), [&](const ClaimedAddress& y) {
        return x.since <= y.last_heard && y.since <= x.last_heard && std::chrono::abs(x.last_heard - y.last_heard) <= claim_memory;
      });
    });
  }

  void endpoints() {
    std::map<std::string, std::vector<const SeenUnit*>> by_endpoint;
    for (const auto& unit : all_.units)
      if (!unit.endpoint.empty() && !unit.is_network) by_endpoint[unit.endpoint].push_back(&unit);
    for (const auto& [endpoint, units] : by_endpoint) {
      std::vector<const SeenUnit*> together;
      for (const auto* unit : units)
        if (std::any_of(units.begin(), units.end(), [&](const SeenUnit* other) { return other != unit && overlap(*unit, *other); })) together.push_back(unit);
      if (together.size() < 2) continue;
      const auto words = [](const SeenUnit& unit) { return spoken(unit) + (unit.addresses.empty() ? "" : " at " + current(unit, nullptr)->address); };
      Finding finding{"endpoint_twice", subject_of(*together[0]),
                      (together.size() == 2 ? "Two" : std::to_string(together.size())) + " units call themselves by the same name " + endpoint +
                          ": one was copied from the other, or one unit has two cards",
                      "compare the labels of both: if they are two, set one back to its factory state and set it up by hand, so that it takes a name of its own; "
                      "if it is one unit with two cards, write the hardware address that it shall use into the design", {}};
      constexpr std::size_t most_named = 10;
      for (std::size_t i = 0; i < std::min(together.size(), most_named); ++i)
        finding.evidence.push_back(words(*together[i]) + ", last heard " + to_rfc3339(together[i]->last_heard));
      out_.push_back(std::move(finding));
    }
  }

  // One that only clients named may stand behind a relay: told where it is on a network of this machine's, or that is not known.
  bool is_heard_here(const SeenDhcpServer& server) const {
    const auto number = number_of(server.address);
    return !server.hardware_address.empty() || server.through_relay || !all_.own || all_.own->empty() || (number && reachable(*number));
  }

  void dhcp_servers() {
    std::map<std::string, const SeenDhcpServer*> by_place;
    for (const auto& server : all_.dhcp_servers) {
      if (at_ - server.last_heard > server_memory || !is_heard_here(server)) continue;
      const auto [at, fresh] = by_place.try_emplace(server.where, &server);
      if (fresh || at->second->address == server.address) continue;
      const auto& other = *at->second;
      if (server.last_heard + offers_take < other.first_heard || other.last_heard + offers_take < server.first_heard) continue;  // one took over
      if (!server.hardware_address.empty() && server.hardware_address == other.hardware_address) continue;
      if (server.through_relay && other.through_relay) continue;  // a pair of servers behind a relay is how it is done
      const auto words = [](const SeenDhcpServer& s) { return s.address + (s.hardware_address.empty() ? "" : " (" + s.hardware_address + ")"); };
      out_.push_back({"dhcp_twice", "network/" + server.where, "Two DHCP servers answer on " + server.where + ": " + words(other) + " and " + words(server),
                      "switch off the one that does not belong here: units get addresses from whichever is faster",
                      {words(other) + " last heard " + to_rfc3339(other.last_heard), words(server) + " last heard " + to_rfc3339(server.last_heard)}});
    }
  }

  void restarts(const SeenUnit& unit) {
    const auto& starts = unit.starts;
    std::size_t count = starts.empty() ? 0 : 1;
    while (count < starts.size() && starts[starts.size() - count] - starts[starts.size() - count - 1] <= longest_restart_period) ++count;
    if (count < restarts_to_tell || at_ - starts.back() > longest_restart_period) return;
    const auto first = starts[starts.size() - count];
    const double period_s = std::chrono::duration<double>(starts.back() - first).count() / static_cast<double>(count - 1);
    char period[32];
    std::snprintf(period, sizeof period, "%.0f", period_s);
    Finding finding{"starts_again", subject_of(unit), capital(spoken(unit)) + " has started " + std::to_string(count) + " times, about every " + period + " s",
                    "look at its power first: class and watts at the switch port, length and quality of the cable, heater and infrared at the start; then "
                    "at the link, which may come and go, and at its log for a crash",
                    {"usual cause: too little power for what it draws when it starts"}};
    for (std::size_t i = starts.size() - count; i < starts.size(); ++i) finding.evidence.push_back("started " + to_rfc3339(starts[i]));
    out_.push_back(std::move(finding));
  }

  // Two cameras in each other's place, by port or by address: told once, of both.
  bool swapped(const SeenUnit& unit) {
    if (!design_ || unit.camera.empty()) return false;
    const auto* camera = design_->find_camera(unit.camera);
    const auto tell = [&](const config::Camera& other, const SeenUnit& other_unit, const std::string& what, const std::string& step) {
      if (unit.camera < other.id)
        out_.push_back({"units_swapped", subject_of(unit), "Cameras " + unit.camera + " and " + other.id + " are swapped: each has the other's " + what, step,
                        {unit.camera + " is " + unit.name + " by its " + unit.matched_by, other.id + " is " + other_unit.name + " by its " + other_unit.matched_by},
                        {config::subject_of(other)}});
      return true;
    };
    if (const auto at = at_port_.find(unit.seen_on); at != at_port_.end() && at->second->id != unit.camera)
      if (const auto other = by_camera_.find(at->second->id); other != by_camera_.end() && other->second->seen_on == camera->switch_id + "/" + camera->port)
        return tell(*at->second, *other->second, "port (" + unit.seen_on + " and " + other->second->seen_on + ")",
                    "swap the two cables at the switch, or the units if their views are wrong as well");
    const auto* now = current(unit, camera);
    const auto at = now ? owner_of_.find(now->address) : owner_of_.end();
    if (at == owner_of_.end() || at->second->id == unit.camera) return false;
    const auto other = by_camera_.find(at->second->id);
    const auto* others = other == by_camera_.end() ? nullptr : current(*other->second, at->second);
    if (!others || others->address != camera->address) return false;
    return tell(*at->second, *other->second, "address (" + now->address + " and " + others->address + ")",
                "compare the labels with the schedule: either the units hang in each other's place, or their addresses were set the wrong way round");
  }

  bool reachable(std::uint32_t number) const {
    for (const auto& own : *all_.own)
      if (const auto mine = number_of(own.address); mine && ((*mine ^ number) & mask_of(own.prefix_bits)) == 0) return true;
    return false;
  }

  std::string mask_for(std::uint32_t number) const {
    for (const auto& server : all_.dhcp_servers)
      if (const auto mask = number_of(server.subnet_mask), its = number_of(server.address); mask && its && ((*its ^ number) & *mask) == 0)
        return server.subnet_mask;
    return "";
  }

  // Where it is not the design's address, or none that this machine reaches.
  void elsewhere(const SeenUnit& unit) {
    const auto* camera = design_ && !unit.camera.empty() ? design_->find_camera(unit.camera) : nullptr;
    const auto* now = current(unit, camera);
    const auto number = now ? number_of(now->address) : std::nullopt;
    if (!number) return;
    const bool as_designed = camera && camera->address == now->address;
    // Who spoke through a router is reached through it.
    const bool reached = !all_.own || unit.hardware_addresses.empty() || reachable(*number);
    const auto give = reached ? std::nullopt : reach_address(now->address, mask_for(*number), taken_);
    const std::string reach = !give ? "" : "to reach it, give this machine " + *give + " as a second address (`ip address add " + *give + " dev …`)";
    const std::vector<std::string> evidence = {now->address + " since " + to_rfc3339(now->since), camera ? "the design: " + camera->address : "not in the design"};
    const auto add = [&](const char* id, const std::string& sentence, const std::string& step) {
      out_.push_back({id, subject_of(unit), capital(spoken(unit)) + sentence, step + (reach.empty() || step.empty() ? "" : "; ") + reach, evidence});
    };
    if (is_link_local(*number)) {
      add("address_link_local", " has given itself the link-local address " + now->address + ": no DHCP server answered it, and none was set",
          "look whether a DHCP server should answer here, or set the unit's address");
    } else if (camera && !as_designed) {
      const auto other = owner_of_.find(now->address);
      add("address_not_designed", " is at " + now->address + ", the design wants it at " + camera->address +
              (other != owner_of_.end() ? ", which is the address of camera " + other->second->id : reached ? "" : "; perhaps this is its factory setting"),
          "set the unit's address as designed, or correct the design");
    } else if (!reached && as_designed) {
      out_of_reach_[give.value_or("")].push_back(&unit);
    } else if (!reached) {
      add("address_out_of_reach", " is at " + now->address + ", in a subnet that this machine has no address in",
          "perhaps this is its factory setting: find out whose it is");
    }
  }

  // A machine without an address in the site's subnet reaches nobody: told once, not of each camera.
  void tell_out_of_reach(const std::string& give, const std::vector<const SeenUnit*>& units) {
    const auto& first = *units.front();
    const bool one = units.size() == 1;
    const auto here = [this](const SeenUnit& unit) { return current(unit, design_->find_camera(unit.camera)); };
    Finding finding{"address_out_of_reach", one ? subject_of(first) : "network/" + give,
                    (one ? capital(spoken(first)) + " is at " + here(first)->address : std::to_string(units.size()) + " cameras are at their designed addresses") +
                        ", in a subnet that this machine has no address in",
                    "", {}};
    if (!give.empty()) finding.next_step = "give this machine " + give + " as a second address (`ip address add " + give + " dev …`)";
    constexpr std::size_t most_named = 10;
    for (std::size_t i = 0; i < std::min(units.size(), most_named); ++i)
      finding.evidence.push_back(units[i]->camera + " at " + here(*units[i])->address + " since " + to_rfc3339(here(*units[i])->since));
    out_.push_back(std::move(finding));
  }

  void other_serial(const SeenUnit& unit) {
    const auto* camera = design_ && !unit.camera.empty() ? design_->find_camera(unit.camera) : nullptr;
    if (!camera) return;
    if (unit.matched_by == "serial" && camera->hardware_address &&
        std::find(unit.hardware_addresses.begin(), unit.hardware_addresses.end(), *camera->hardware_address) == unit.hardware_addresses.end())
      out_.push_back({"other_hardware_address", subject_of(unit), capital(spoken(unit)) + " has the serial number of the design, " + unit.serial +
                          ", and not its hardware address " + *camera->hardware_address,
                      "compare the label with the schedule, and correct the one that is wrong", {"matched by serial number " + unit.serial}});
    if (unit.matched_by == "hardware_address" && camera->serial && !unit.serial.empty() && unit.serial != *camera->serial)
      out_.push_back({"other_unit", subject_of(unit), capital(spoken(unit)) + " says that its serial number is " + unit.serial + ", the design says " + *camera->serial,
                      "two units may be swapped: compare the labels with the schedule", {"matched by hardware address"}});
  }

  // Somebody else hangs where a camera of the design is missing: replaced, most likely.
  void in_place_of_another(const SeenUnit& unit) {
    const auto at = unit.camera.empty() ? at_port_.find(unit.seen_on) : at_port_.end();
    if (at == at_port_.end() || by_camera_.contains(at->second->id)) return;
    const auto& camera = *at->second;
    out_.push_back({"other_unit_on_port", "camera/" + camera.id, "On port " + unit.seen_on + ", where the design wants camera " + camera.id + ", hangs " + spoken(unit),
                    "if the unit was replaced, write its hardware address and serial number into the design; else move the cable",
                    {"the design: " + camera.hardware_address.value_or(camera.serial.value_or(camera.address))},
                    {subject_of(unit)}});
  }

  const config::Design* design_;
  const Arrivals& all_;
  SystemTime at_;
  std::vector<Finding> out_;
  std::map<std::string, Claims> claimants_;
  std::map<std::string, std::vector<const SeenUnit*>> out_of_reach_;  // by the address to give this machine
  std::map<std::string, const SeenUnit*> by_camera_;
  std::map<std::string, const config::Camera*> owner_of_, at_port_;
  std::set<std::string> taken_;
};

}  // namespace

std::vector<Finding> find_arrival_conflicts(const config::Design* design, const Arrivals& arrivals, SystemTime at) {
  return Search(design, arrivals, at).run();
}

std::optional<std::string> reach_address(const std::string& unit, const std::string& mask, const std::set<std::string>& taken) {
  const auto number = number_of(unit);
  if (!number) return std::nullopt;
  const auto told = number_of(mask);
  const unsigned bits = is_link_local(*number) ? 16 : told ? static_cast<unsigned>(std::popcount(*told)) : 24;
  const auto net = *number & mask_of(bits), broadcast = net | ~mask_of(bits);
  // From the top down, where people put few things; in the link-local range the last 256 are not used (RFC 3927 §2.1).
  constexpr std::uint32_t most_tried = 4096;
  const auto top = is_link_local(*number) ? broadcast - 256 : broadcast;
  for (std::uint32_t candidate = top - 1, tried = 0; candidate > net && tried < most_tried; --candidate, ++tried) {
    const auto text = address_of(candidate);
    if (candidate != *number && !taken.contains(text)) return text + "/" + std::to_string(bits);
  }
  return std::nullopt;
}

}  // namespace tallywire::verdict
