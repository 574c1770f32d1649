#include "daemon/verdict/verdict.hpp"

#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <cmath>
#include <cstdio>
#include <map>
#include <utility>

namespace tallywire::verdict {
namespace {

std::string plain(double value) {
  char text[40];
  std::snprintf(text, sizeof text, "%.6g", value);
  return text;
}

Verdict judge_word(const Target& target, const Reading& reading) {
  Verdict out{target, reading, Kind::missed, std::nullopt, ""};
  const auto word = reading.word();
  if (word && *word == *target.word) {
    out.kind = Kind::met;
  } else {
    out.reason = "is " + (word ? "“" + *word + "”" : plain(*reading.number())) + ", the design says “" +
                 *target.word + "”";
  }
  return out;
}

// What one limit says of a value: how far inside it lies (negative: outside) and its margin.
struct Side {
  double inside;
  double limit;
};

std::optional<Side> nearest_side(const Target& target, double value) {
  std::optional<Side> nearest;
  if (target.low) nearest = Side{value - *target.low, *target.low};
  if (target.high) {
    const Side upper{*target.high - value, *target.high};
    if (!nearest || upper.inside < nearest->inside) nearest = upper;
  }
  return nearest;
}

Verdict judge_number(const Target& target, const Reading& reading, double value) {
  const auto spoken = [&target](double number) { return spoken_value(target.quantity, number); };
  Verdict out{target, reading, Kind::met, std::nullopt, ""};
  const auto side = nearest_side(target, value);
  if (!side) {
    out.kind = Kind::unread;
    out.reason = "the target has no limit";
    return out;
  }
  if (side->limit != 0) out.margin_ratio = side->inside / std::abs(side->limit);
  const bool over = target.high && side->limit == *target.high && value > *target.high;
  if (side->inside < 0) {
    out.kind = Kind::missed;
    out.reason = spoken(value) + (over ? " is above " : " is below ") + spoken(side->limit);
  } else if (side->inside < target.reserve) {
    out.kind = Kind::tight;
    out.reason = "met, but inside the reserve of " + spoken(target.reserve);
  } else if (reading.uncertainty > 0 && side->inside < reading.uncertainty) {
    out.kind = Kind::tight;
    out.reason = "met, but the uncertainty of " + spoken(reading.uncertainty) + " reaches over the limit";
  }
  return out;
}

}  // namespace

const char* name_of(Relation relation) {
  switch (relation) {
    case Relation::at_least: return "at_least";
    case Relation::at_most: return "at_most";
    case Relation::between: return "between";
    case Relation::equals: return "equals";
  }
  return "equals";
}

const char* name_of(Kind kind) {
  switch (kind) {
    case Kind::met: return "met";
    case Kind::tight: return "tight";
    case Kind::missed: return "missed";
    case Kind::unread: return "unread";
  }
  return "unread";
}

Verdict judge(const Target& target, const Reading& reading) {
  if (!reading.is_read()) return {target, reading, Kind::unread, std::nullopt, reading.unread};
  if (target.word) return judge_word(target, reading);
  const auto value = reading.number();
  if (!value || !std::isfinite(*value))
    return {target, reading, Kind::unread, std::nullopt, "the reading is not a number"};
  return judge_number(target, reading, *value);
}

std::vector<Verdict> judge_all(const std::vector<Target>& targets,
                               const std::vector<Reading>& readings, SystemTime when) {
  std::map<std::pair<std::string, std::string>, const Reading*> last;
  for (const auto& reading : readings) last[{reading.subject, reading.quantity}] = &reading;
  std::vector<Verdict> out;
  out.reserve(targets.size());
  for (const auto& target : targets) {
    const auto found = last.find({target.subject, target.quantity});
    if (found != last.end())
      out.push_back(judge(target, *found->second));
    else
      out.push_back(judge(target, unread(target.subject, target.quantity,
                                         "was not measured in this round", when)));
  }
  return out;
}

Counts count(const std::vector<Verdict>& verdicts) {
  Counts out;
  for (const auto& v : verdicts) {
    switch (v.kind) {
      case Kind::met: ++out.met; break;
      case Kind::tight: ++out.tight; break;
      case Kind::missed: ++out.missed; break;
      case Kind::unread: ++out.unread; break;
    }
  }
  return out;
}

int exit_code_of(const Counts& counts) {
  if (counts.missed > 0) return 1;
  return counts.unread > 0 ? 3 : 0;
}

void to_json(nlohmann::json& out, const Target& target) {
  out = {{"relation", name_of(target.relation)}, {"low", nullptr},
         {"high", nullptr},                      {"word", nullptr},
         {"promised", nullptr},                  {"reserve", target.reserve},
         {"text", target.text}};
  if (target.low) out["low"] = *target.low;
  if (target.high) out["high"] = *target.high;
  if (target.word) out["word"] = *target.word;
  if (target.promised) out["promised"] = *target.promised;
}

void to_json(nlohmann::json& out, const Verdict& v) {
  nlohmann::json reading = v.reading;
  reading.erase("subject");
  reading.erase("quantity");
  out = {{"subject", v.target.subject}, {"quantity", v.target.quantity},
         {"verdict", name_of(v.kind)},  {"target", v.target},
         {"reading", reading},          {"margin_ratio", nullptr},
         {"reason", v.reason}};
  if (v.margin_ratio) out["margin_ratio"] = *v.margin_ratio;
}

void to_json(nlohmann::json& out, const Counts& c) {
  out = {{"met", c.met}, {"tight", c.tight}, {"missed", c.missed}, {"unread", c.unread}};
}

}  // namespace tallywire::verdict
