#include "daemon/verdict/link_findings.hpp"

#include "daemon/verdict/words.hpp"

#include <cstdio>
#include <map>

namespace tallywire::verdict {
namespace {

constexpr double fewest_damaged_frames = 3;            // one or two are a plug that was touched
constexpr double many_damaged_frames = 10;             // where nobody counts the frames

// The last readings of one port.
class Port {
 public:
  std::map<std::string, const Reading*> last;

  std::optional<double> number(const char* quantity) const {
    const auto at = last.find(quantity);
    return at == last.end() ? std::nullopt : at->second->number();
  }
  bool is(const char* quantity, const char* word) const {
    const auto at = last.find(quantity);
    return at != last.end() && at->second->word() == word;
  }
  double count(const char* quantity) const { return number(quantity).value_or(0); }
  // "12 FCS errors in 2 s (EtherLike-MIB, two looks)"
  std::string evidence(const char* quantity, const char* what) const {
    const auto& r = *last.at(quantity);
    char text[160];
    std::snprintf(text, sizeof text, "%.0f %s in %s (%s)", r.number().value_or(0), what,
                  spoken_duration(std::chrono::duration<double>(r.over).count()).c_str(), r.method.c_str());
    return text;
  }
};

std::string speed(double bps) { return spoken_bit_rate(bps); }

void find_slow(std::vector<Finding>& out, const std::string& subject, const Port& port) {
  const auto runs = port.number("link_speed_bps"), offered = port.number("offered_speed_bps");
  if (!runs || !offered || *runs >= *offered) return;
  const bool four_pairs = *runs >= 1e9;
  const std::string sentence = spoken_subject(subject) + " is linked at " + speed(*runs) + " though both ends offer " + speed(*offered);
  Finding f{"link_below_offer", subject, sentence, "",
            {"runs " + speed(*runs) + ", both ends offer " + speed(*offered) + " (" + port.last.at("offered_speed_bps")->method + ")"}};
  if (four_pairs) {
    f.sentence += ": its four pairs are whole, but the cable is not good enough for more";
    f.next_step = "look at the cable's category and length, and at every patch on the way";
  } else if (*offered >= 1e9 && *runs >= 1e8) {
    f.sentence += ": pair 4-5 or 7-8 is open";
    f.next_step =
        "re-terminate both plugs and test pairs 4-5 and 7-8: 1000BASE-T needs all four pairs, 1-2, 3-6, 4-5 and 7-8 (IEEE 802.3 "
        "clause 40), 100BASE-TX only 1-2 and 3-6 (clause 25), so these two are whole";
  } else {
    f.sentence += ": a pair is bad or the cable is far too long";
    f.next_step = "test all four pairs and the length: 100 m of balanced cable at most";
  }
  out.push_back(std::move(f));
}

bool find_mismatch(std::vector<Finding>& out, const std::string& subject, const Port& port) {
  const bool half = port.is("duplex", "half"), late = port.count("new_late_collisions") > 0;
  const bool damaged = port.count("new_fcs_errors") > 0 || port.count("new_alignment_errors") > 0;
  const bool fixed_full = port.is("duplex", "full") && port.is("negotiation", "off");
  if (!(half && late) && !(fixed_full && damaged)) {
    if (!half) return false;
    out.push_back({"half_duplex", subject, spoken_subject(subject) + " runs half duplex: it cannot send and receive at once",
                   "let both ends negotiate; an end that is fixed makes the other fall back to half duplex", {"duplex half"}});
    return true;
  }
  Finding f{"duplex_mismatch", subject, "", "let both ends negotiate, or fix both to the same speed and duplex: a fixed end tells nobody, and the "
            "negotiating one then takes half duplex", {}};
  if (half) {
    f.sentence = spoken_subject(subject) + " runs half duplex and its frames collide late: the other end runs full duplex";
    f.evidence = {"duplex half", port.evidence("new_late_collisions", "late collisions")};
  } else {
    f.sentence = spoken_subject(subject) + " is fixed at full duplex and receives damaged frames: the other end may have taken half duplex";
    f.evidence = {"duplex full, negotiation off"};
    if (port.count("new_fcs_errors") > 0) f.evidence.push_back(port.evidence("new_fcs_errors", "FCS errors"));
    if (port.count("new_alignment_errors") > 0) f.evidence.push_back(port.evidence("new_alignment_errors", "alignment errors"));
  }
  out.push_back(std::move(f));
  return true;
}

void find_dirty(std::vector<Finding>& out, const std::string& subject, const Port& port) {
  const double damaged = port.count("new_fcs_errors");
  const auto whole = port.number("new_in_packets");
  const bool dirty = whole ? damaged >= fewest_damaged_frames && damaged / (damaged + *whole) > dirty_fcs_ratio : damaged >= many_damaged_frames;
  if (!dirty) return;
  Finding f{"link_dirty", subject, spoken_subject(subject) + " receives damaged frames",
            "re-terminate the cable, keep it away from drives and mains, look at its length (100 m at most) and at the earthing of shielded plugs",
            {port.evidence("new_fcs_errors", "FCS errors")}};
  if (whole) {
    char text[64];
    std::snprintf(text, sizeof text, "%.3g %% of its frames", damaged / (damaged + *whole) * 100);
    f.evidence.emplace_back(text);
  }
  out.push_back(std::move(f));
}

void find_power(std::vector<Finding>& out, const std::string& subject, const Port& port) {
  struct Rule {
    const char* quantity;
    const char* id;
    const char* what;
    const char* sentence;
    const char* next_step;
  };
  static const Rule rules[] = {
      {"new_power_denied", "power_denied", "refusals of power", "is refused power by the switch",
       "the switch's supply is used up or the port's class is not allowed: look at its budget and the priorities of its ports"},
      {"new_power_overloads", "power_overload", "overloads", "draws more power than the switch gives it",
       "compare the unit and its mode (heater, infrared) with the schedule; look for water in the plug and a damaged cable"},
      {"new_power_shorts", "power_short_circuit", "short circuits", "short-circuits the power on its cable",
       "unplug it at the switch; look for water, a crushed cable or a badly made plug before it is plugged in again"},
  };
  for (const auto& rule : rules)
    if (port.count(rule.quantity) > 0)
      out.push_back({rule.id, subject, spoken_subject(subject) + " " + rule.sentence, rule.next_step, {port.evidence(rule.quantity, rule.what)}});
  if (port.is("power_state", "fault") || port.is("power_state", "other fault"))
    out.push_back({"power_fault", subject, "The switch reports a power fault for " + spoken_subject(subject),
                   "unplug the cable, wait ten seconds and plug it in again; if the fault stays, try the unit with a short cable at another port",
                   {"power state " + port.last.at("power_state")->word().value_or("")}});
}

}  // namespace

std::vector<Finding> find_link_causes(const std::vector<Reading>& readings) {
  std::map<std::string, Port> ports;
  for (const auto& r : readings) ports[r.subject].last[r.quantity] = &r;
  std::vector<Finding> out;
  for (const auto& [subject, port] : ports) {
    find_slow(out, subject, port);
    if (!find_mismatch(out, subject, port)) find_dirty(out, subject, port);
    find_power(out, subject, port);
  }
  return out;
}

}  // namespace tallywire::verdict
