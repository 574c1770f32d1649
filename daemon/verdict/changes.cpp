// What changed between any two rounds, without memory.
#include "daemon/verdict/drift.hpp"
#include "daemon/verdict/drift_quantities.hpp"
#include "daemon/verdict/words.hpp"

#include <cmath>
#include <set>

namespace tallywire::verdict {
namespace {

using nlohmann::json;

std::map<std::string, const Reading*> watched_readings(const RoundRead& round) {
  std::map<std::string, const Reading*> out;
  for (const auto& reading : round.readings)
    if (watched(reading.quantity)) out.insert_or_assign(drift_key(reading.subject, reading.quantity), &reading);
  return out;
}

// Units that were not there in one of the two rounds: told by their presence alone, not by all that they no longer send.
class Away {
 public:
  Away(const std::map<std::string, const Reading*>& before, const std::map<std::string, const Reading*>& now) {
    add(before, now);
    add(now, before);
  }
  bool covers(const std::string& subject) const {
    constexpr std::string_view prefix = "camera/";
    return subject.starts_with(prefix) && units_.contains(subject.substr(0, subject.find('/', prefix.size())));
  }

 private:
  void add(const std::map<std::string, const Reading*>& one, const std::map<std::string, const Reading*>& other) {
    for (const auto& [key, reading] : one)
      if (reading->quantity == std::string("presence") && (!other.contains(key) || (reading->word() && reading->word() != std::string("arrived"))))
        units_.insert(reading->subject);
  }
  std::set<std::string> units_;
};

bool differs(const WatchedQuantity& w, const std::string& key, const json& was, const json& is, const config::Limits& limits,
             const std::map<std::string, double>& full) {
  if (was == is) return false;
  if (!w.tolerance || !was.is_number() || !is.is_number()) return true;
  const auto a = scaled(w, was.get<double>(), full, key), b = scaled(w, is.get<double>(), full, key);
  return !a || !b || std::abs(*b - *a) > scaled_tolerance(w, limits);
}

void compare_readings(const std::map<std::string, const Reading*>& before, const std::map<std::string, const Reading*>& now, const Away& away,
                      const config::Design& design, std::vector<DriftRow>& out) {
  const auto full = full_of(design);
  std::set<std::string> keys;
  for (const auto& [key, reading] : before) keys.insert(key);
  for (const auto& [key, reading] : now) keys.insert(key);
  for (const auto& key : keys) {
    const auto a = before.find(key), b = now.find(key);
    const auto& any = a != before.end() ? *a->second : *b->second;
    if (any.quantity != std::string("presence") && away.covers(any.subject)) continue;
    const auto& w = *watched(any.quantity);
    const json old = a == before.end() ? json() : value_of(*a->second), fresh = b == now.end() ? json() : value_of(*b->second);
    if (!differs(w, key, old, fresh, design.limits, full)) continue;
    DriftRow row{any.subject, w.aspect, any.quantity, old, fresh, w.tolerance ? json(design.limits.*w.tolerance) : json(), 0,
                 change_text(any.subject, any.quantity, old, fresh)};
    if (b != now.end() && !b->second->is_read()) row.text += ": " + b->second->unread;
    out.push_back(std::move(row));
  }
}

void compare_verdicts(const json& was, const json& is, const Away& away, std::vector<DriftRow>& out) {
  std::map<std::string, const json*> before;
  for (const auto& v : was) before[drift_key(v.at("subject"), v.at("quantity"))] = &v;
  for (const auto& v : is) {
    const std::string subject = v.at("subject"), quantity = v.at("quantity");
    if (away.covers(subject)) continue;
    const auto old = before.find(drift_key(subject, quantity));
    if (old == before.end() || old->second->at("verdict") == v.at("verdict")) continue;
    const std::string verdict = v.at("verdict"), then = old->second->at("verdict"), reason = v.value("reason", std::string());
    out.push_back({subject, "verdict", quantity, then, verdict, nullptr, 0,
                   spoken_subject(subject) + ", " + spoken_quantity(quantity) + " is " + verdict + ", was " + then + (reason.empty() ? "" : ": " + reason)});
  }
}

void compare_findings(const json& was, const json& is, const Away& away, std::vector<DriftRow>& out) {
  const auto by_key = [&away](const json& findings) {
    std::map<std::string, const json*> all;
    for (const auto& f : findings)
      if (!away.covers(f.at("subject"))) all[drift_key(f.at("subject"), f.at("id"))] = &f;
    return all;
  };
  const auto before = by_key(was), now = by_key(is);
  for (const auto& [key, f] : now)
    if (!before.contains(key)) out.push_back({f->at("subject"), "finding", f->at("id"), nullptr, f->at("id"), nullptr, 0, "new: " + f->at("sentence").get<std::string>()});
  for (const auto& [key, f] : before)
    if (!now.contains(key)) out.push_back({f->at("subject"), "finding", f->at("id"), f->at("id"), nullptr, nullptr, 0, "over: " + f->at("sentence").get<std::string>()});
}

}  // namespace

std::vector<DriftRow> changes_between(const RoundTold& was, const RoundTold& is, const config::Design& design) {
  std::vector<DriftRow> out;
  const auto before = watched_readings(was.round), now = watched_readings(is.round);
  const Away away(before, now);
  compare_readings(before, now, away, design, out);
  compare_verdicts(was.verdicts, is.verdicts, away, out);
  compare_findings(was.findings, is.findings, away, out);
  return out;
}

}  // namespace tallywire::verdict
