// Every link between the units and this machine, one way each (links are full duplex): how fast it is, what it carries already,
// and which of them a stream crosses. Pure.
//
// The order is fixed by the design, so that an index means the same link in every round: uplink i of verdict::links_of() along its
// direction (2 * i) and against it (2 * i + 1), then each unit's own link towards its switch, then this machine's, in and out.
#pragma once

#include "config/design.hpp"
#include "daemon/round/instruments.hpp"
#include "daemon/round/roll.hpp"
#include "daemon/round/unit_ports.hpp"
#include "daemon/verdict/routes.hpp"

#include <optional>
#include <string>
#include <vector>

namespace tallywire::round {

struct SharedLink {
  std::string name;             // for a person: "switch/sw-yard/uplink/up towards sw-hall"
  double speed_bps = 0;         // the slower of what the switch tells and the design; 0: not known, it bounds nothing
  double load_bps = 0;          // what it carries already
  bool load_is_measured = false;  // by a switch's counters, a tap or this machine's; else it is what the design will record
  double ceiling_ratio = 0;
  double ceiling_bps() const { return speed_bps * ceiling_ratio; }
};

// What a round knows when it looks.
struct LinkSight {
  const SwitchLooks* looks = nullptr;
  const Roll* roll = nullptr;
  std::vector<Reading> tapped;
  std::optional<OwnLink> own;
};

class SiteLinks {
 public:
  explicit SiteLinks(const config::Design& design) : design_(design), uplinks_(verdict::links_of(design)) {}  // must outlive it

  // Speeds and loads. Without counters and taps a link is taken to carry what the design records across it.
  std::vector<SharedLink> look(const LinkSight& sight) const;
  // From where the unit hangs to this machine. A design that does not say where this machine is plugged in has it at the core.
  std::vector<std::size_t> way_in(const config::Camera& camera, const Roll* roll) const;
  // From this machine to the far end.
  std::vector<std::size_t> way_to_far_end() const;
  std::size_t own_in() const { return 2 * uplinks_.size() + design_.cameras.size(); }
  std::size_t own_out() const { return own_in() + 1; }
  std::size_t count() const { return own_out() + 1; }

 private:
  std::size_t link_of(const config::Camera& camera) const;
  std::vector<double> by_streams(const std::vector<Reading>& tapped, bool design_too) const;
  void look_at_port(const LinkSight& sight, const std::string& switch_id, const std::string& port, SharedLink* in, SharedLink* out) const;

  const config::Design& design_;
  std::vector<verdict::Link> uplinks_;
};

}  // namespace tallywire::round
