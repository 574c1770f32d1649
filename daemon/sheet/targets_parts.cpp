// Each target of each unit, and of what is no unit: what was asked, what was read and how surely, by how much it holds, the verdict.
#include "daemon/sheet/html.hpp"
#include "daemon/sheet/view.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <map>
#include <set>

namespace tallywire::sheet {

using nlohmann::json;

namespace {

// "camera/gate-north" of "camera/gate-north/head/1".
std::string owner_of(const std::string& subject) {
  const auto first = subject.find('/');
  return first == std::string::npos ? subject : subject.substr(0, subject.find('/', first + 1));
}

struct Verdicts {
  std::string owner;
  std::vector<std::pair<std::string, std::vector<const json*>>> subjects;  // in the round's order
};

std::vector<Verdicts> by_owner(const json& round) {
  std::vector<Verdicts> out;
  std::map<std::string, std::size_t> owners;
  std::map<std::string, std::size_t> subjects;
  for (const auto& verdict : list(round, "verdicts")) {
    const auto subject = word(verdict, "subject");
    const auto owner = owner_of(subject);
    const auto [at, fresh] = owners.try_emplace(owner, out.size());
    if (fresh) out.push_back({owner, {}});
    auto& parts = out[at->second].subjects;
    const auto [part, new_part] = subjects.try_emplace(subject, parts.size());
    if (new_part) parts.emplace_back(subject, std::vector<const json*>());
    parts[part->second].second.push_back(&verdict);
  }
  return out;
}

// Figures get their unit from the quantity's name; a unit that is a word stands after the figure once.
std::string reading_cell(const std::string& quantity, const json& reading) {
  const auto& value = member(reading, "value");
  if (value.is_null()) return "—";
  std::string out = escaped(verdict::spoken_value(quantity, value));
  const auto uncertainty = number(reading, "uncertainty").value_or(0);
  if (uncertainty > 0) out += " <span class=\"pm\">± " + escaped(verdict::spoken_value(quantity, json(uncertainty))) + "</span>";
  return out;
}

// Nothing for what must be equal: there is no way to be better or nearly so.
std::string margin_cell(const json& verdict) {
  const auto margin = number(verdict, "margin_ratio");
  if (!margin || !std::isfinite(*margin) || word(member(verdict, "target"), "relation") == "equals") return "";
  const double percent = *margin * 100;
  const auto size = std::abs(percent) >= 100 && std::abs(percent) < 1e9 ? std::to_string(std::llround(std::abs(percent))) : figure(std::abs(percent), 3);
  return (percent < 0 ? "−" : percent > 0 ? "+" : "") + size + " %";
}

// Limits are spoken as readings are, with their units: "9 frames/s is below 14.25 frames/s".
std::string reason_of(const json& verdict) {
  const auto& target = member(verdict, "target");
  const auto& value = member(member(verdict, "reading"), "value");
  const auto quantity = word(verdict, "quantity"), kind = word(verdict, "verdict"), told = word(verdict, "reason");
  const auto spoken = [&](double number) { return verdict::spoken_value(quantity, json(number)); };
  if (!value.is_number()) return told;
  const auto low = number(target, "low"), high = number(target, "high");
  const double read = value.get<double>();
  if (kind == "missed" && low && read < *low) return spoken(read) + " is below " + spoken(*low);
  if (kind == "missed" && high && read > *high) return spoken(read) + " is above " + spoken(*high);
  const auto reserve = number(target, "reserve");
  if (kind == "tight" && reserve && told.find("inside the reserve") != std::string::npos) return "met, but inside the reserve of " + spoken(*reserve);
  return told;
}

std::string method_of(const json& reading) {
  auto out = word(reading, "method");
  const auto over_s = number(reading, "over_s").value_or(0);
  if (!out.empty() && over_s >= 0.5) out += "; measured for " + verdict::spoken_duration(std::round(std::min(over_s, 1e9)));
  return out;
}

std::string row_of(View& view, const json& verdict) {
  const auto quantity = word(verdict, "quantity");
  const auto& reading = member(verdict, "reading");
  return "<tr><td>" + escaped(verdict::spoken_quantity(quantity)) + "</td><td>" + escaped(word(member(verdict, "target"), "text")) + "</td><td>" +
         reading_cell(quantity, reading) + "</td><td class=\"n\">" + margin_cell(verdict) + "</td><td>" + mark(word(verdict, "verdict")) +
             "</td><td class=\"n\">" +
         view.notes.refer(method_of(reading)) + "</td></tr>\n";
}

// Why a row is not met, once for neighbours that share it: a dark unit has twenty rows and one reason.
std::string reason_row(const std::string& reason, int rows) {
  return "<tr class=\"why\"><td colspan=\"6\">" + std::string(rows > 1 ? "the " + std::to_string(rows) + " above: " : "") + escaped(reason) + "</td></tr>\n";
}

std::string body_of(View& view, const std::string& title, const std::vector<const json*>& verdicts) {
  std::string out = "<tbody>" + (title.empty() ? "" : "<tr class=\"of\"><th colspan=\"6\" scope=\"rowgroup\">" + title + "</th></tr>\n");
  int sharing = 0;
  for (std::size_t i = 0; i < verdicts.size(); ++i) {
    out += row_of(view, *verdicts[i]);
    const auto reason = reason_of(*verdicts[i]);
    ++sharing;
    if (i + 1 < verdicts.size() && reason_of(*verdicts[i + 1]) == reason) continue;
    if (!reason.empty()) out += reason_row(reason, sharing);
    sharing = 0;
  }
  return out + "</tbody>\n";
}

const char* const table_head =
    "<table class=\"targets\"><thead><tr><th scope=\"col\">what</th><th scope=\"col\">asked</th><th scope=\"col\">read</th>"
    "<th scope=\"col\">margin</th><th scope=\"col\">verdict</th><th scope=\"col\">how</th></tr></thead>\n";

// "head 1 (north gate), stream main (record)" of a part of a camera, with what the design says for people.
std::string part_title(const json& camera, const std::string& owner, const std::string& subject) {
  if (subject.size() <= owner.size() + 1) return "";
  const auto rest = subject.substr(owner.size() + 1);
  std::string out, named;
  for (std::size_t begin = 0, field = 0; begin <= rest.size(); ++field) {
    const auto end = std::min(rest.find('/', begin), rest.size());
    const auto part = rest.substr(begin, end - begin);
    out += (field == 0 ? "" : field % 2 == 0 ? ", " : " ") + part;
    begin = end + 1;
  }
  for (const auto& head : list(camera, "heads")) {
    const auto at = "head/" + word(head, "id");
    if (rest != at && rest.rfind(at + "/", 0) != 0) continue;
    named = word(head, "view");
    for (const auto& stream : list(head, "streams"))
      if (rest == at + "/stream/" + word(stream, "id") && !word(stream, "use").empty()) named += (named.empty() ? "" : "; ") + ("to " + word(stream, "use"));
  }
  return escaped(out) + (named.empty() ? "" : " <span class=\"aside\">" + escaped(named) + "</span>");
}

const json& roll_entry(const View& view, const std::string& camera) {
  for (const auto& entry : list(view.round, "roll"))
    if (word(entry, "camera") == camera) return entry;
  return none();
}

// Where it hangs, who it is and since when.
std::string unit_head(const View& view, const std::string& id) {
  const auto& entry = roll_entry(view, id);
  const auto& camera = view.camera(id);
  std::string facts = word(camera, "place");
  const auto add = [&facts](const std::string& fact) {
    if (!fact.empty()) facts += (facts.empty() ? "" : " · ") + fact;
  };
  add(word(entry, "seen_on").empty() ? (camera.is_null() ? "" : "drawn on " + word(camera, "switch") + "/" + word(camera, "port"))
                                     : "on " + word(entry, "seen_on"));
  add(word(entry, "address"));
  add(word(entry, "hardware_address"));
  add(word(entry, "reason"));
  return "<h3>" + escaped(id) + " &ensp;" + mark(view.presence(id)) + "</h3><p class=\"facts\">" + escaped(facts) + "</p>\n";
}

std::string block(View& view, const Verdicts& verdicts, const std::string& head, const json& camera) {
  std::string out = "<div class=\"unit-block\">" + head;
  if (verdicts.subjects.empty()) return out + "<p>Nothing of it was judged in this round.</p></div>\n";
  out += table_head;
  for (const auto& [subject, rows] : verdicts.subjects) out += body_of(view, part_title(camera, verdicts.owner, subject), rows);
  return out + "</table></div>\n";
}

bool is_camera(const std::string& owner) { return owner.rfind("camera/", 0) == 0; }

}  // namespace

std::string units_part(View& view) {
  auto groups = by_owner(view.round);
  std::set<std::string> told;
  std::string out = "<section class=\"part\"><h2>Units</h2>\n";
  for (const auto& group : groups) {
    if (!is_camera(group.owner)) continue;
    const auto id = group.owner.substr(std::string("camera/").size());
    told.insert(id);
    out += block(view, group, unit_head(view, id), view.camera(id));
  }
  // Units that were awaited all along, in a round that was cut off before it judged anything.
  for (const auto& entry : list(view.round, "roll"))
    if (!told.contains(word(entry, "camera"))) {
      told.insert(word(entry, "camera"));
      out += block(view, {}, unit_head(view, word(entry, "camera")), none());
    }
  if (told.empty()) out += "<p>No unit was judged in this round.</p>\n";
  return out + "</section>\n";
}

std::string other_targets_part(View& view) {
  std::string out;
  for (const auto& group : by_owner(view.round))
    if (!is_camera(group.owner))
      out += block(view, group, "<h3>" + escaped(verdict::spoken_subject(group.owner)) + "</h3>", none());
  return out.empty() ? out : "<section class=\"part\"><h2>Switches, uplinks, recorders, path</h2>\n" + out + "</section>\n";
}

}  // namespace tallywire::sheet
