#include "daemon/verdict/findings.hpp"

#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <cmath>
#include <cstdio>
#include <map>

namespace tallywire::verdict {
namespace {

std::string figure(const char* format, double value) {
  char text[64];
  std::snprintf(text, sizeof text, format, value);
  return text;
}

std::string value_of(const Reading& r) {
  if (const auto w = r.word()) return *w;
  if (const auto n = r.number()) return figure("%.6g", *n);
  return "unread";
}

std::string evidence_of(const Verdict& v) {
  const auto value = v.reading.number() ? spoken_value(v.target.quantity, *v.reading.number()) : value_of(v.reading);
  return spoken_quantity(v.target.quantity) + " " + value + "; the design: " + v.target.text;
}

double number(const Verdict& v) { return v.reading.number().value_or(0); }

// What a missed quantity means and what to try. Camera and stream rules share one shape: a table.
struct Rule {
  const char* quantity;
  const char* id;
  std::string (*sentence)(const Verdict&);
  const char* next_step;
};

const Rule rules[] = {
    {"presence", "never_arrived",
     [](const Verdict& v) {
       return spoken_subject(v.target.subject) + (value_of(v.reading) == "lost"
                                              ? " was here and is gone: it no longer answers"
                                              : " has not been seen on the wire");
     },
     "check the link light at the switch port and the plug at the unit; then its power"},
    {"port", "wrong_port",
     [](const Verdict& v) {
       return spoken_subject(v.target.subject) + " hangs on port " + value_of(v.reading) +
              ", the design wants it on " + *v.target.word;
     },
     "move the cable to the designed port, or correct the design if the drawing is wrong"},
    {"link_speed_bps", "port_slow",
     [](const Verdict& v) {
       return spoken_subject(v.target.subject) + " is linked at " + figure("%.6g", number(v) / 1e6) +
              " Mbit/s, the design wants " + figure("%.6g", *v.target.promised / 1e6) + " Mbit/s";
     },
     "test all four pairs of the cable: 1000BASE-T needs 1-2, 3-6, 4-5 and 7-8, 100BASE-TX only 1-2 "
     "and 3-6; then look for a fixed speed on either end"},
    {"power_class", "power_class",
     [](const Verdict& v) {
       return spoken_subject(v.target.subject) + " was classed " + value_of(v.reading) +
              " by the switch, the design wants class " + figure("%.6g", *v.target.promised);
     },
     "compare the unit and its mode with the schedule; a lower class may starve heater and infrared"},
    {"worst_power_w", "power_short",
     [](const Verdict& v) {
       return "The units on " + spoken_subject(v.target.subject) + " draw " + figure("%.4g", number(v)) +
              " W at worst, its power budget is " + figure("%.4g", *v.target.high) + " W";
     },
     "move units to another switch, or give it a larger supply; at night, with heaters and infrared on, the last ones go dark"},
    {"power_left_w", "power_short",
     [](const Verdict& v) {
       return "The supply of " + spoken_subject(v.target.subject) + " lacks " + figure("%.4g", -number(v)) + " W when all its units draw their worst";
     },
     "look whether a supply is missing or off; move units to another switch, or give it a larger supply"},
    {"serial", "other_unit",
     [](const Verdict& v) {
       return spoken_subject(v.target.subject) + " has serial number " + value_of(v.reading) +
              ", the design says " + *v.target.word;
     },
     "two units may be swapped: compare the labels with the schedule"},
    {"firmware", "other_firmware",
     [](const Verdict& v) {
       return spoken_subject(v.target.subject) + " runs firmware " + value_of(v.reading) + ", the design says " +
              *v.target.word;
     },
     "bring the unit to the firmware of the schedule while it is at hand, or correct the design"},
    {"heads", "other_heads",
     [](const Verdict& v) {
       return spoken_subject(v.target.subject) + " tells of " + figure("%.0f", number(v)) +
              (number(v) == 1 ? " head" : " heads") + ", the design has " + figure("%.0f", *v.target.promised);
     },
     "compare the unit's model with the schedule; if it is the right one, look for a head that is switched off or not plugged in"},
    {"clock_offset_s", "clock_off",
     [](const Verdict& v) {
       const double off = number(v);
       return spoken_subject(v.target.subject) + " has a clock that is " +
              figure("%.3g", std::abs(off) >= 60 ? std::abs(off) / 60 : std::abs(off)) +
              (std::abs(off) >= 60 ? " minutes " : " seconds ") + (off > 0 ? "ahead" : "behind");
     },
     "set the unit's time server and time zone; its recordings carry the wrong time until then"},
    {"loss_ratio", "stream_loss",
     [](const Verdict& v) {
       return figure("%.3g", number(v) * 100) + " % of the packets of " + spoken_subject(v.target.subject) +
              " are lost on the way";
     },
     "where the unit's other streams, over the same links, lose nothing, cap the key frames of this one, whose bursts may overflow a small buffer, "
     "and look whether the unit is overloaded; else read the error counters of its port and uplink"},
    {"jitter_ms", "stream_jitter",
     [](const Verdict& v) {
       return spoken_subject(v.target.subject) + " arrives with a jitter of " + figure("%.3g", number(v)) + " ms";
     },
     "look for a full uplink or a half-duplex port on its way"},
    {"measured_bps", "uplink_over_ceiling",
     [](const Verdict& v) {
       return spoken_subject(v.target.subject) + " carries " + figure("%.4g", number(v) / 1e6) +
              " Mbit/s, above its ceiling of " + figure("%.4g", *v.target.high / 1e6) + " Mbit/s";
     },
     "lower bit rates on the heaviest streams, or give the switch a faster uplink"},
    {"busiest_bps", "uplink_busiest_instant",
     [](const Verdict& v) {
       return spoken_subject(v.target.subject) + " needs " + figure("%.4g", number(v) / 1e6) +
              " Mbit/s at its busiest instant, more than its speed of " +
              figure("%.4g", *v.target.high / 1e6) + " Mbit/s";
     },
     "shorten key frames (longer GOP, capped rate) or give the switch a faster uplink"},
    {"sustained_write_bytes_per_s", "volume_slow",
     [](const Verdict& v) {
       return spoken_subject(v.target.subject) + " takes " + figure("%.4g", number(v) / 1e6) +
              " MB/s, its streams write " + figure("%.4g", *v.target.low / 1e6) + " MB/s";
     },
     "look for a rebuilding array, a slow disk or a shared volume; move streams to another volume"},
    {"days_held_days", "volume_short",
     [](const Verdict& v) {
       return spoken_subject(v.target.subject) + " holds " + figure("%.4g", number(v)) +
              " days, the contract asks for " + figure("%.4g", *v.target.low);
     },
     "add capacity, or lower the bit rates that were measured above the design"},
    {"tcp_goodput_bps", "path_short",
     [](const Verdict& v) {
       return "The path to the far end carries " + figure("%.4g", number(v) / 1e6) +
              " Mbit/s, the design sends " + figure("%.4g", *v.target.low / 1e6) + " Mbit/s";
     },
     "measure again with nothing else on the path; then look at the slowest link on the way"},
};

}  // namespace

std::vector<Finding> find_causes(const std::vector<Verdict>& verdicts,
                                 const std::vector<Stranger>& strangers) {
  std::vector<Finding> out;
  std::map<std::pair<std::string, std::string>, std::size_t> have;  // (subject, id) -> index
  for (const auto& v : verdicts) {
    if (v.kind != Kind::missed) continue;
    for (const auto& rule : rules) {
      if (v.target.quantity != rule.quantity) continue;
      const auto [at, fresh] = have.try_emplace({v.target.subject, rule.id}, out.size());
      if (fresh)
        out.push_back({rule.id, v.target.subject, rule.sentence(v), rule.next_step, {evidence_of(v)}});
      else
        out[at->second].evidence.push_back(evidence_of(v));
      break;
    }
  }
  // A refused login leaves everything behind it unread: told once for each unit.
  for (const auto& v : verdicts) {
    if (v.kind != Kind::unread || v.reason.find("login refused") == std::string::npos) continue;
    const auto unit = v.target.subject.substr(0, v.target.subject.find('/', v.target.subject.find('/') + 1));
    if (!have.try_emplace({unit, "login_refused"}, out.size()).second) continue;
    out.push_back({"login_refused", unit, spoken_subject(unit) + " refuses the login that the design names",
                   "correct the secret; it was tried once at each door, so that the unit locks nobody out",
                   {v.target.quantity + " unread: " + v.reason}});
  }
  for (const auto& s : strangers) {
    std::string who = s.hardware_address;
    if (!s.address.empty()) who += " (" + s.address + ")";
    if (!s.name.empty() && s.name != s.hardware_address) who += ", it calls itself “" + s.name + "”";
    if (!s.maker.empty()) who += ", maker by its address: " + s.maker;
    std::string sentence = "A unit that the design does not know is on the wire: " + who;
    if (!s.seen_on.empty()) sentence += ", on port " + s.seen_on;
    out.push_back({"stranger", "stranger/" + s.hardware_address, std::move(sentence),
                   "find out whose it is; add it to the design or unplug it",
                   {"first seen " + to_rfc3339(s.first_seen)}});
  }
  return out;
}

void to_json(nlohmann::json& out, const Finding& f) {
  out = {{"id", f.id},
         {"subject", f.subject},
         {"sentence", f.sentence},
         {"next_step", f.next_step},
         {"evidence", f.evidence}};
}

void to_json(nlohmann::json& out, const Stranger& s) {
  out = {{"hardware_address", s.hardware_address},
         {"address", s.address},
         {"first_seen", to_rfc3339(s.first_seen)},
         {"seen_on", s.seen_on},
         {"maker", s.maker.empty() ? nlohmann::json() : nlohmann::json(s.maker)},
         {"name", s.name.empty() ? nlohmann::json() : nlohmann::json(s.name)}};
}

}  // namespace tallywire::verdict
