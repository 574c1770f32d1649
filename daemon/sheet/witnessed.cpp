#include "daemon/sheet/witnessed.hpp"

#include "config/witness_points.hpp"
#include "daemon/sheet/html.hpp"

#include <algorithm>
#include <map>

namespace tallywire::sheet {

using nlohmann::json;

namespace {

constexpr std::size_t most_listed = 20;

using Last = std::map<std::pair<std::string, std::string>, const record::Witness*>;

Last last_of(const std::vector<record::Witness>& said) {
  Last out;
  for (const auto& one : said) out[{one.subject, one.point}] = &one;
  return out;
}

// "a, b, c and 14 more"
std::string listed(const std::vector<std::string>& names) {
  std::string out;
  for (std::size_t i = 0; i < names.size() && i < most_listed; ++i) out += (i > 0 ? ", " : "") + names[i];
  if (names.size() > most_listed) out += " and " + std::to_string(names.size() - most_listed) + " more";
  return out.empty() ? "none" : out;
}

Fault wrong(std::string what, std::string where, std::string try_next) { return {FaultKind::bad_request, std::move(what), std::move(where),
    std::move(try_next)}; }

json told(const record::Witness& one) { return {{"by", one.by}, {"at", to_rfc3339(one.at)}, {"note", one.note}}; }

}  // namespace

json witness_points(const config::Design& design, const std::vector<record::Witness>& said) {
  const auto last = last_of(said);
  json out = json::array();
  for (const auto& due : config::witness_points_due(design)) {
    json point = {{"subject", due.subject}, {"point", due.point}, {"text", due.text}, {"witnessed", nullptr}, {"undone", nullptr}};
    if (const auto at = last.find({due.subject, due.point}); at != last.end()) point[at->second->undone ? "undone" : "witnessed"] = told(*at->second);
    out.push_back(std::move(point));
  }
  return out;
}

Outcome<void> check_name(const std::string& name) {
  const auto bare = without_blanks_around(name);
  if (bare.empty()) return wrong("nobody is named", "by", "give a name");
  if (name.size() > most_name_octets) return wrong("the name is longer than " + std::to_string(most_name_octets) + " octets", "by", "give a shorter one");
  if (has_hidden(name)) return wrong("the name holds a character that is not seen", "by", "leave out line ends, tabs and other control characters");
  if (bare.size() != name.size()) return wrong("the name begins or ends with a blank", "by", "leave the blanks around it out");
  return {};
}

Outcome<record::Witness> witness_of(const config::Design& design, const std::vector<record::Witness>& said, const json& sent, SystemTime now) {
  record::Witness out{word(sent, "subject"), word(sent, "point"), word(sent, "by"), word(sent, "note"), now, member(sent, "undone") == json(true)};
  if (!member(sent, "undone").is_null() && !member(sent, "undone").is_boolean()) return wrong("“undone” is neither true nor false", "undone",
      "leave it out to confirm the point");
  if (auto named = check_name(out.by); !named) return named.error();
  if (out.note.size() > most_note_octets) return wrong("the note is longer than " + std::to_string(most_note_octets) + " octets", "note",
      "say it in fewer words");
  if (has_hidden(out.note)) return wrong("the note holds a character that is not seen", "note", "leave out line ends, tabs and other control characters");
  std::vector<std::string> subjects, points;
  for (const auto& due : config::witness_points_due(design)) {
    if (subjects.empty() || subjects.back() != due.subject) subjects.push_back(due.subject);
    if (due.subject == out.subject) points.push_back(due.point);
  }
  // Not echoed: who sends a wrong subject may send anything.
  if (points.empty()) return wrong("nothing is to be witnessed of this subject", "subject", "one of: " + listed(subjects));
  if (std::find(points.begin(), points.end(), out.point) == points.end()) return wrong("there is no such point at " + out.subject, "point", "one of: " +
      listed(points));
  if (!out.undone) return out;
  const auto last = last_of(said);
  const auto before = last.find({out.subject, out.point});
  if (before == last.end() || before->second->undone) return wrong("the point is not witnessed, so there is nothing to take back", out.subject + " " +
      out.point, "see `tallywire witness`");
  return out;
}

json witness_json(const record::Witness& w) {
  return {{"subject", w.subject}, {"point", w.point}, {"by", w.by}, {"note", w.note}, {"at", to_rfc3339(w.at)}, {"undone", w.undone}};
}

}  // namespace tallywire::sheet
