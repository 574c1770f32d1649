#include "daemon/round/unit_ports.hpp"

#include <algorithm>

namespace tallywire::round {
namespace {

bool is_uplink(const config::Switch& sw, const std::string& port) {
  return std::any_of(sw.uplinks.begin(), sw.uplinks.end(),
                     [&](const auto& uplink) { return uplink.port == port; });
}

// The far side of another switch's uplink is an ordinary port here. An address that the other switch
// holds on a port of its own is seen here through the joint, so this port is the joint.
bool leads_to_switch(const config::Design& design, const SwitchLooks& looks, const std::string& here,
                     const std::string& port) {
  const auto& learnt = looks.at(here).learnt;
  for (const auto& other : design.switches) {
    const auto theirs = looks.find(other.id);
    if (other.id == here || theirs == looks.end()) continue;
    const bool joined = std::any_of(other.uplinks.begin(), other.uplinks.end(),
                                    [&](const auto& uplink) { return uplink.to == here; });
    if (!joined) continue;
    for (const auto& [hardware, their_port] : theirs->second.learnt) {
      const auto seen = learnt.find(hardware);
      if (!is_uplink(other, their_port) && seen != learnt.end() && seen->second == port) return true;
    }
  }
  return false;
}

// A neighbour that bridges leads further on, unless it is the unit itself.
bool is_behind_bridge(const SwitchLook& look, const std::string& port, const std::string& hardware) {
  const auto at = look.ports.find(port);
  if (at == look.ports.end() || at->second.bridging_neighbours.empty()) return false;
  const auto& bridges = at->second.bridging_neighbours;
  return std::find(bridges.begin(), bridges.end(), hardware) == bridges.end();
}

// RFC 3621 knows classes 0 to 4, and 4 also stands for what came later: of a unit that the design has in class 5 to 8 it
// says nothing. A lower one it does say.
bool hides_class(const config::Camera& camera, const Reading& reading) {
  return camera.power_class.value_or(0) > 4 && reading.quantity == "power_class" && reading.number() == 4.0;
}

bool is_of_power(const Reading& reading) {
  return reading.quantity.starts_with("power_") || reading.quantity.starts_with("new_power_");
}

// Why a unit that is not there may be away: what its port says of link and power, as long as nobody else hangs there.
void add_empty_port(std::vector<Reading>& out, const config::Camera& camera, const SwitchLooks& looks) {
  const auto look = looks.find(camera.switch_id);
  if (look == looks.end()) return;
  const auto port = look->second.ports.find(camera.port);
  if (port == look->second.ports.end()) return;
  const auto& learnt = look->second.learnt;
  if (std::any_of(learnt.begin(), learnt.end(), [&](const auto& one) { return one.second == camera.port; })) return;
  for (auto reading : port->second.readings) {
    const bool says_why = reading.quantity == "link_state" || reading.quantity == "power_state" || reading.quantity.starts_with("new_power_");
    if (!says_why) continue;
    reading.subject = config::subject_of(camera);
    out.push_back(std::move(reading));
  }
}

struct Place {
  std::string switch_id;
  std::string port;
};

Place split(const std::string& seen_on) {
  const auto slash = seen_on.find('/');
  return {seen_on.substr(0, slash), seen_on.substr(slash + 1)};
}

}  // namespace

bool is_here(Presence presence) {
  return presence != Presence::awaited && presence != Presence::lost;
}

std::map<std::string, std::string> placed_units(const config::Design& design,
                                                const SwitchLooks& looks) {
  std::map<std::string, std::string> out, behind_bridges;
  for (const auto& sw : design.switches) {
    const auto look = looks.find(sw.id);
    if (look == looks.end()) continue;
    for (const auto& [hardware, port] : look->second.learnt) {
      if (is_uplink(sw, port) || leads_to_switch(design, looks, sw.id, port)) continue;
      (is_behind_bridge(look->second, port, hardware) ? behind_bridges : out)[hardware] = sw.id + "/" + port;
    }
  }
  // Behind a switch that the design does not know is still better than nowhere.
  out.merge(behind_bridges);
  return out;
}

std::vector<std::string> ports_down(const std::string& switch_id, const SwitchLook& look) {
  std::vector<std::string> out;
  for (const auto& [port, seen] : look.ports)
    if (std::any_of(seen.readings.begin(), seen.readings.end(), [](const auto& r) { return r.quantity == "link_state" && r.word() == "down"; }))
      out.push_back(switch_id + "/" + port);
  return out;
}

std::vector<Reading> port_readings(const config::Camera& camera, const Entry& entry,
                                   const SwitchLooks& looks, SystemTime when) {
  const auto subject = config::subject_of(camera);
  std::vector<Reading> out;
  const auto fail = [&](const std::string& reason) {
    for (const char* quantity : {"port", "link_speed_bps", "power_class"})
      out.push_back(unread(subject, quantity, reason, when));
  };
  const bool here = is_here(entry.presence);
  out.push_back(read_word(subject, "presence", here ? "arrived" : name_of(entry.presence),
                          "frames heard and units asked", when));
  const auto own = looks.find(camera.switch_id);
  if (!here) {
    fail("the unit is not on the wire");
    add_empty_port(out, camera, looks);
  } else if (own == looks.end()) {
    fail("the design gives no SNMP access to switch " + camera.switch_id);
  } else if (own->second.fault) {
    fail(own->second.fault->sentence());
  } else {
    Place place{camera.switch_id, camera.port};
    if (!entry.seen_on.empty()) {
      place = split(entry.seen_on);
      out.push_back(read_word(subject, "port", entry.seen_on, "the switch's learnt addresses", when));
    } else {
      out.push_back(unread(subject, "port",
                           own->second.learnt_unread.empty() ? "no switch has learnt its hardware address"
                                                             : own->second.learnt_unread,
                           when));
    }
    const auto look = looks.find(place.switch_id);
    const bool shown = look != looks.end() && look->second.ports.contains(place.port);
    if (!shown) {
      for (const char* quantity : {"link_speed_bps", "power_class"})
        out.push_back(unread(subject, quantity, "the switch shows no port " + place.port, when));
      return out;
    }
    for (auto reading : look->second.ports.at(place.port).readings) {
      if (hides_class(camera, reading))
        reading = unread(subject, "power_class", "the switch's tables know classes 0 to 4 only (RFC 3621); 4 may stand for 5 to 8", reading.when);
      reading.subject = subject;
      out.push_back(std::move(reading));
    }
  }
  return out;
}

std::vector<Reading> switch_readings(const config::Switch& sw, const SwitchLooks& looks, SystemTime when) {
  const auto subject = "switch/" + sw.id;
  const auto look = looks.find(sw.id);
  const std::string why = look == looks.end() ? "the design gives no SNMP access to it" : look->second.fault ? look->second.fault->sentence() : "";
  std::vector<Reading> out;
  if (!why.empty()) return {unread(subject, "power_budget_w", why, when)};
  for (auto reading : look->second.readings) {
    reading.subject = subject;
    out.push_back(std::move(reading));
  }
  for (const auto& uplink : sw.uplinks) {
    const auto port = look->second.ports.find(uplink.port);
    if (port == look->second.ports.end()) continue;
    for (auto reading : port->second.readings) {
      if (is_of_power(reading)) continue;  // an uplink feeds nothing
      reading.subject = config::subject_of(sw, uplink);
      out.push_back(std::move(reading));
    }
  }
  return out;
}

}  // namespace tallywire::round
