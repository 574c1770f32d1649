#include "daemon/verdict/power.hpp"

#include "daemon/verdict/words.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>

namespace tallywire::verdict {
namespace {

// check-values section 10.
constexpr PowerClass classes[] = {
    {0, 15.4, 12.95, 44, 20}, {1, 4.0, 3.84, 44, 20},   {2, 7.0, 6.49, 44, 20},
    {3, 15.4, 12.95, 44, 20}, {4, 30, 25.5, 50, 12.5},  {5, 45, 40, 50, 6.25},
    {6, 60, 51, 50, 6.25},    {7, 75, 62, 52, 6.25},    {8, 90, 71.3, 52, 6.25},
};

std::string watts(double value) {
  char text[32];
  std::snprintf(text, sizeof text, "%.4g W", value);
  return text;
}

std::string subject_of(const config::Switch& sw) { return "switch/" + sw.id; }

const PowerClass* smallest_class_for(double load_w) {
  const PowerClass* best = nullptr;
  for (const auto& c : classes)
    if (c.number != 0 && c.load_w >= load_w && (!best || c.load_w < best->load_w)) best = &c;
  return best;
}

std::vector<const config::Camera*> fed_by(const config::Design& design, const config::Switch& sw) {
  std::vector<const config::Camera*> out;
  for (const auto& camera : design.cameras)
    if (camera.switch_id == sw.id && camera.power_source == config::PowerSource::switch_port &&
        (camera.power_class || camera.worst_power_w))
      out.push_back(&camera);
  return out;
}

// A unit of the same switch that the design feeds by it without saying how much leaves a gap in the sum.
std::string gap_of(const config::Design& design, const config::Switch& sw) {
  for (const auto& camera : design.cameras)
    if (camera.switch_id == sw.id && camera.power_source == config::PowerSource::switch_port)
      if (const auto draw = worst_draw(camera); !draw.source_w) return camera.id + ": " + draw.unread;
  return {};
}

double worst_sum_w(const std::vector<const config::Camera*>& cameras) {
  double sum = 0;
  for (const auto* camera : cameras) sum += worst_draw(*camera).source_w.value_or(0);
  return sum;
}

const Reading* last_of(const std::vector<Reading>& readings, const std::string& subject, const std::string& quantity) {
  const auto at = std::find_if(readings.rbegin(), readings.rend(), [&](const Reading& r) { return r.subject == subject && r.quantity == quantity; });
  return at == readings.rend() ? nullptr : &*at;
}

}  // namespace

const PowerClass* power_class(int number) {
  const auto* const at = std::find_if(std::begin(classes), std::end(classes), [number](const PowerClass& c) { return c.number == number; });
  return at == std::end(classes) ? nullptr : at;
}

std::optional<Feed> feed(double load_w, double source_v, double loop_ohm) {
  const double root = source_v * source_v - 4 * loop_ohm * load_w;
  if (root < 0) return std::nullopt;
  const double current_a = loop_ohm > 0 ? (source_v - std::sqrt(root)) / (2 * loop_ohm) : load_w / source_v;
  return Feed{current_a, source_v * current_a, current_a * current_a * loop_ohm, source_v - current_a * loop_ohm};
}

WorstDraw worst_draw(const config::Camera& camera) {
  WorstDraw out;
  const auto* c = camera.power_class      ? power_class(*camera.power_class)
                  : camera.worst_power_w ? smallest_class_for(*camera.worst_power_w)
                                         : nullptr;
  if (!c) {
    out.unread = camera.worst_power_w ? "no power class feeds " + watts(*camera.worst_power_w)
                                      : "the design says neither its power class nor what it draws at worst";
    return out;
  }
  out.by_class = c->number;
  out.beyond_class = camera.worst_power_w && *camera.worst_power_w > c->load_w;
  const auto fed = camera.worst_power_w && !out.beyond_class ? feed(*camera.worst_power_w, c->source_v, c->loop_ohm) : std::nullopt;
  // The switch grants a class no more than this, whatever the cable would take.
  out.source_w = fed ? std::min(fed->source_w, c->source_w) : c->source_w;
  return out;
}

std::vector<Target> power_targets(const config::Design& design) {
  std::vector<Target> out;
  const double ratio = std::clamp(design.limits.power_reserve_ratio, 0.0, 0.99);
  for (const auto& sw : design.switches) {
    const auto cameras = fed_by(design, sw);
    if (cameras.empty()) continue;
    if (sw.power_budget_w) {
      const double budget = *sw.power_budget_w;
      out.push_back({subject_of(sw), "worst_power_w", Relation::at_most, {}, budget, {}, budget, budget * ratio,
                     "all units at worst draw at most " + watts(budget)});
    }
    // worst <= (1 - ratio) * budget, said of what is left, since only the switch knows its budget.
    if (sw.snmp)
      out.push_back({subject_of(sw), "power_left_w", Relation::at_least, 0.0, {}, {}, 0.0, worst_sum_w(cameras) * ratio / (1 - ratio),
                     "the switch's own supply feeds all units at worst"});
  }
  return out;
}

std::vector<Reading> power_readings(const config::Design& design, const std::vector<Reading>& readings, SystemTime when) {
  std::vector<Reading> out;
  for (const auto& sw : design.switches) {
    const auto cameras = fed_by(design, sw);
    if (cameras.empty()) continue;
    const auto subject = subject_of(sw);
    if (const auto gap = gap_of(design, sw); !gap.empty()) {
      for (const char* quantity : {"worst_power_w", "power_left_w"}) out.push_back(unread(subject, quantity, gap, when));
      continue;
    }
    const double worst = worst_sum_w(cameras);
    const std::string method = "the design's worst draw of " + std::to_string(cameras.size()) +
                               " units, each over 100 m of cable at the lowest voltage of its class";
    out.push_back(read_number(subject, "worst_power_w", worst, method, when));
    const auto* budget = last_of(readings, subject, "power_budget_w");
    if (budget && budget->number())
      out.push_back(read_number(subject, "power_left_w", *budget->number() - worst, budget->method + " less " + method, when, {}, budget->uncertainty));
    else
      out.push_back(unread(subject, "power_left_w", budget ? budget->unread : "the switch was not asked", when));
  }
  return out;
}

std::vector<Finding> find_power_causes(const config::Design& design, const std::vector<std::string>& cameras) {
  std::vector<Finding> out;
  for (const auto& camera : design.cameras) {
    if (!cameras.empty() && std::find(cameras.begin(), cameras.end(), camera.id) == cameras.end()) continue;
    const auto subject = config::subject_of(camera);
    if (camera.power_source != config::PowerSource::switch_port) {
      const bool injector = camera.power_source == config::PowerSource::injector;
      out.push_back({"power_by_hand", subject,
                     camera.id + (injector ? " is fed by an injector" : " is fed by an auxiliary supply") +
                         ", which negotiates with nobody: no reading can tell whether it gives enough",
                     std::string("look by eye, and witness it: ") +
                         (injector ? "the injector's rating and pairs, and the unit's power selector set to it"
                                   : "the supply's rating (Class 2 or limited power source) and polarity, and the unit's power selector set to it") +
                         "; follow the unit's installation guide, local codes come first",
                     {"the design feeds it so" + (camera.worst_power_w ? "; at worst it draws " + watts(*camera.worst_power_w) : std::string())}});
      continue;
    }
    const auto draw = worst_draw(camera);
    if (!draw.beyond_class) continue;
    const auto* c = power_class(draw.by_class);
    out.push_back({"power_class_short", subject,
                   camera.id + " draws " + watts(*camera.worst_power_w) + " at worst, power class " + std::to_string(c->number) + " gives it " +
                       watts(c->load_w),
                   "give it a higher class, or a mode without heater or infrared; else it restarts on the coldest night",
                   {"design: power_class " + std::to_string(c->number) + ", worst_power_w " + watts(*camera.worst_power_w) +
                    "; IEEE 802.3: at most " + watts(c->source_w) + " at the switch"}});
  }
  return out;
}

}  // namespace tallywire::verdict
