// The parts of a sheet that are words: its head, findings, what was seen by eye, strangers, notes, cautions, signatures.
#include "daemon/sheet/html.hpp"
#include "daemon/sheet/view.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <array>

namespace tallywire::sheet {

using nlohmann::json;

namespace {

std::string count_of(const json& counts, const char* kind) {
  return std::to_string(count(counts, kind)) + " " + kind;
}

// The round in a sentence, with what keeps it from being a proof.
std::string summary(const json& round) {
  const auto state = word(round, "state");
  const auto& counts = member(round, "counts");
  const auto of = [&](const char* kind) { return count(counts, kind); };
  std::string out;
  if (state != "complete")
    out += "This round is not whole: it was " + std::string(state == "broken_off" ? "broken off" : state == "cancelled" ? "cancelled" : "never ended") + ". ";
  const bool some_units = word(round, "kind") == "prove";
  if (some_units) out += "It is about some units only, not about the whole site. ";
  const auto all = of("met") + of("tight") + of("missed") + of("unread");
  if (all == 0) return out + "Nothing was measured and nothing is proven.";
  const auto lead = mark(of("missed") > 0 ? "missed" : of("unread") > 0 ? "unread" : of("tight") > 0 ? "tight" : "met");
  out += "Of " + std::to_string(all) + " targets " + count_of(counts, "met") + ", " + count_of(counts, "tight") + ", " + count_of(counts, "missed") +
      ", " + count_of(counts, "unread") + ". ";
  if (of("missed") > 0) return lead + ". " + out + (some_units ? "These units do not keep their design." : "The site does not keep its design.");
  if (of("unread") > 0) return lead + ". " + out + "Nothing was missed, but what could not be read is not proven.";
  return lead + ". " + out + (some_units ? "All that the design asks of these units was measured and met." : "All that the design asks was measured and met.");
}

std::string fact(const char* name, const std::string& html) {
  return html.empty() ? "" : "<tr><th scope=\"row\">" + std::string(name) + "</th><td>" + html + "</td></tr>\n";
}

std::string accepted(const json& accepted) {
  const auto by = word(accepted, "by");
  return by.empty() ? "by nobody yet" : "by " + escaped(by) + ", " + spoken_time(word(accepted, "at"));
}

std::string finding(const json& one, const std::string& after) {
  std::string out = "<li><p><b>" + escaped(word(one, "sentence")) + ".</b></p>";
  if (after.empty() && !word(one, "next_step").empty()) out += "<p>Next: " + escaped(word(one, "next_step")) + ".</p>";
  std::string evidence;
  for (const auto& each : list(one, "evidence"))
    if (each.is_string()) evidence += (evidence.empty() ? "" : "; ") + each.get<std::string>();
  out += "<p class=\"aside\">" + escaped(word(one, "id") + (evidence.empty() ? "" : ": " + evidence)) + "</p>";
  return out + (after.empty() ? "" : "<p class=\"aside\">" + after + "</p>") + "</li>\n";
}

// "camera/gate-north" of "camera/gate-north/head/1": a unit and its heads stand together.
std::string owner_of(const std::string& subject) { return subject.substr(0, subject.find("/head/")); }

std::string witness_row(const json& point) {
  const auto& seen = member(point, "witnessed");
  const auto subject = word(point, "subject"), owner = owner_of(subject);
  const auto head = subject.size() > owner.size() ? "head " + subject.substr(owner.size() + 6) + ": " : std::string();
  std::string out = "<tr><td>" + escaped(head + word(point, "text")) + "</td>";
  if (seen.is_object()) {
    out += "<td>" + mark("met", "witnessed") + "</td><td>" + escaped(word(seen, "by")) + "</td><td>" + spoken_time(word(seen, "at")) + "</td></tr>\n";
    return out + (word(seen, "note").empty() ? "" : "<tr class=\"why\"><td colspan=\"4\">" + escaped(word(seen, "note")) + "</td></tr>\n");
  }
  out += "<td>" + mark("open") + "</td><td class=\"line\"></td><td class=\"line\"></td></tr>\n";
  const auto& undone = member(point, "undone");
  if (!undone.is_object()) return out;
  return out + "<tr class=\"why\"><td colspan=\"4\">taken back by " + escaped(word(undone, "by")) + ", " + spoken_time(word(undone, "at")) +
         (word(undone, "note").empty() ? "" : ": " + escaped(word(undone, "note"))) + "</td></tr>\n";
}

}  // namespace

std::string title_part(View& view) {
  const auto& made = member(view.data, "made");
  const auto& site = member(view.design, "site");
  const auto kind = word(view.round, "kind");
  std::string out = "<header><p class=\"over\">Hand-over sheet</p><h1>" + escaped(word(view.round, "site")) + "</h1>\n<table class=\"head\">\n";
  out += fact("Place", escaped(word(site, "place"))) + fact("Customer", escaped(word(site, "customer")));
  out += fact("Measured", spoken_time(word(view.round, "started")) + (word(view.round, "ended").empty() ? "" : " to " + spoken_time(word(view.round,
      "ended"))));
  out += fact("Round", std::to_string(count(view.round, "round")) + (kind == "night" ? ", a nightly round" : kind == "prove" ? ", some units only" : "") +
      "; accepted " +
                           accepted(member(view.data, "accepted")));
  out += fact("This sheet", (word(made, "by").empty() ? "made " : "made by " + escaped(word(made, "by")) + ", ") + spoken_time(word(made, "at")) +
      ", with Tallywire " +
                                escaped(word(view.data, "tallywire")));
  out += fact("Design", "SHA-256 <code>" + escaped(word(view.round, "design_sha256")) + "</code>");
  return out + "</table>\n<p class=\"summary\">" + summary(view.round) + "</p></header>\n";
}

namespace {

// What the closed findings were looked for in, or why none are told.
std::string closed_against(const View& view) {
  if (word(view.round, "kind") == "prove") return "told for whole rounds only";
  if (word(view.round, "state") != "complete") return "none are told: this round did not come to its end, and what it did not measure may be open still";
  std::string rounds;
  for (const auto& id : list(view.data, "compared_with"))
    if (id.is_number_integer()) rounds += (rounds.empty() ? "" : ", ") + std::to_string(id.get<std::int64_t>());
  return rounds.empty() ? "there is no earlier whole round" : "against round " + rounds;
}

std::string earlier_findings(const json& findings) {
  if (findings.empty()) return "";
  std::string out = "<ol class=\"findings\">";
  for (const auto& one : findings)
    out += finding(one, "last in round " + std::to_string(count(one, "last_round")) + ", " + spoken_time(word(one, "last_at")));
  return out + "</ol>\n";
}

}  // namespace

std::string findings_part(View& view) {
  const auto& open = list(view.round, "findings");
  const auto& closed = list(view.data, "closed_findings");
  const auto& unread = list(view.data, "gone_but_unread");
  std::string out = "<section class=\"part\"><h2>Findings</h2>\n<h3>Open: " + std::to_string(open.size()) + "</h3>\n";
  if (!open.empty()) {
    out += "<ol class=\"findings\">";
    for (const auto& one : open) out += finding(one, "");
    out += "</ol>\n";
  }
  out += "<h3>Closed: " + std::to_string(closed.size()) + " <span class=\"aside\">" + closed_against(view) + "</span></h3>\n" + earlier_findings(closed);
  if (!unread.empty())
    out += "<h3>Gone, but not told as closed: " + std::to_string(unread.size()) +
           " <span class=\"aside\">something of their subject could not be read in this round</span></h3>\n" + earlier_findings(unread);
  return out + "</section>\n";
}

std::string witness_part(View& view) {
  const auto& points = list(view.data, "witness_points");
  if (points.empty()) return "";
  std::size_t done = 0;
  std::string rows, subject;
  for (const auto& point : points) {
    done += member(point, "witnessed").is_object();
    const auto owner = owner_of(word(point, "subject"));
    if (owner != subject || rows.empty()) {
      rows += rows.empty() ? "<tbody>" : "</tbody>\n<tbody>";
      subject = owner;
      rows += "<tr class=\"of\"><th colspan=\"4\" scope=\"rowgroup\">" + escaped(verdict::spoken_subject(subject)) + "</th></tr>\n";
    }
    rows += witness_row(point);
  }
  return "<section class=\"part\"><h2>Witnessed by eye</h2>\n<p>" + std::to_string(done) + " of " + std::to_string(points.size()) +
         " points are witnessed. The others have a box, and a line to sign with the date.</p>\n<table class=\"witness\"><thead><tr><th scope=\"col\">point</th>"
         "<th scope=\"col\">state</th><th scope=\"col\">by</th><th scope=\"col\">when</th></tr></thead>\n" + rows + "</tbody></table></section>\n";
}

std::string strangers_part(View& view) {
  const auto& strangers = list(view.round, "strangers");
  if (strangers.empty()) return "";
  std::string out = "<section class=\"part\"><h2>Strangers: on the wire, not in the design</h2>\n<table><thead><tr><th scope=\"col\">hardware "
      "address</th><th scope=\"col\">address</th>"
                    "<th scope=\"col\">seen on</th><th scope=\"col\">first seen</th><th scope=\"col\">name, maker</th></tr></thead>\n";
  for (const auto& one : strangers) {
    const auto name = word(one, "name"), maker = word(one, "maker");
    out += "<tbody><tr><td>" + escaped(word(one, "hardware_address")) + "</td><td>" + escaped(word(one, "address")) + "</td><td>" + escaped(word(one,
        "seen_on")) + "</td><td>" +
           spoken_time(word(one, "first_seen")) + "</td><td>" + escaped(name + (name.empty() || maker.empty() ? "" : ", ") + maker) + "</td></tr></tbody>\n";
  }
  return out + "</table></section>\n";
}

std::string notes_part(View& view) {
  if (view.notes.texts().empty()) return "";
  std::string out = "<section class=\"part\"><h2>How it was read</h2>\n<p>± is the half width of a reading’s uncertainty, in its own unit; without it the "
      "reading was counted, or is a word. "
                    "The margin is the distance to the nearest limit as a share of that limit. Met: the limit holds. Tight: it holds, but inside the "
                        "reserve or the uncertainty. Missed: it does not. "
                    "Unread: it could not be measured, for the reason told; nothing stands in for it.</p>\n<ol class=\"notes\">";
  for (const auto& text : view.notes.texts()) out += "<li>" + escaped(text) + "</li>\n";
  return out + "</ol></section>\n";
}

std::string cautions_part() {
  constexpr std::array<const char*, 6> cautions = {
      "Follow each unit’s installation guide.",
      "Surfaces are hot after bench power.",
      "Mind work at height.",
      "Powered cable and auxiliary supplies only as rated (Class 2 or limited power source).",
      "Do not stare into infrared emitters.",
      "Probe only networks you are asked to."};
  std::string out = "<section class=\"part keep\"><h2>Cautions</h2>\n<p><b>Local codes and licensed practice come first; this sheet replaces "
      "neither.</b></p><ul>";
  for (const char* one : cautions) out += "<li>" + std::string(one) + "</li>";
  return out + "</ul></section>\n";
}

std::string signature_part() {
  std::string out = "<section class=\"part keep\"><h2>Signatures</h2>\n<table "
      "class=\"sign\"><thead><tr><th></th><th>name</th><th>date</th><th>signature</th></tr></thead>\n";
  for (const char* who : {"Handed over by", "Accepted by", "In the presence of"}) out += "<tbody><tr><th scope=\"row\">" + std::string(who) +
      "</th><td></td><td></td><td></td></tr></tbody>\n";
  return out + "</table></section>\n";
}

}  // namespace tallywire::sheet
