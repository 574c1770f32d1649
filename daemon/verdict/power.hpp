// Power over the cable: what each unit of the design draws from its switch at worst, with the loss in the cable, against
// what the switch can give. Pure.
#pragma once

#include "config/design.hpp"
#include "daemon/verdict/findings.hpp"
#include "daemon/verdict/verdict.hpp"

#include <optional>
#include <string>
#include <vector>

namespace tallywire::verdict {

// IEEE 802.3-2018 clauses 33 and 145: watts a class may take from the switch and what is left of them at the unit, over
// the longest channel at the switch's lowest voltage.
struct PowerClass {
  int number;          // 0 to 8
  double source_w;
  double load_w;
  double source_v;     // the least the switch puts on the cable
  double loop_ohm;     // 100 m; from class 5 on two pairsets side by side
};
const PowerClass* power_class(int number);  // null when there is no such class

struct Feed {
  double current_a, source_w, loss_w, load_v;
};
// A load of `load_w` at the far end of a loop: I = (V − √(V² − 4·R·P)) / (2·R). None when the cable cannot carry it
// (V² < 4·R·P). load_w >= 0, source_v > 0, loop_ohm >= 0.
std::optional<Feed> feed(double load_w, double source_v, double loop_ohm);

// What a unit takes from its switch at worst.
struct WorstDraw {
  std::optional<double> source_w;
  int by_class = -1;        // the class whose voltage and cable were taken
  bool beyond_class = false;  // it draws more than its class gives; source_w is then where the switch cuts off
  std::string unread;       // why there is no figure
};
WorstDraw worst_draw(const config::Camera& camera);

// Of every switch that feeds units of the design: worst_power_w at most its designed budget; power_left_w at least 0, with
// the reserve of the limits, for those that are asked by SNMP.
std::vector<Target> power_targets(const config::Design& design);
// Their readings: worst_power_w from the design, and power_left_w from that and the switch's own power_budget_w, which is
// looked for in `readings`.
std::vector<Reading> power_readings(const config::Design& design, const std::vector<Reading>& readings, SystemTime when);
// Units that their class cannot feed at worst, and units whose power no switch can tell: a point for a person to look at.
std::vector<Finding> find_power_causes(const config::Design& design, const std::vector<std::string>& cameras);

}  // namespace tallywire::verdict
