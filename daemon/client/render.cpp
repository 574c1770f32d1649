#include "daemon/client/render.hpp"

#include "daemon/client/table.hpp"
#include "daemon/verdict/words.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <sstream>
#include <vector>

namespace tallywire::client {
namespace {

using nlohmann::json;
using verdict::spoken_bit_rate, verdict::spoken_quantity, verdict::spoken_subject, verdict::spoken_value;

// Every missed, tight and unread verdict in words. Units not reached are told once for each reason,
// not once for each target.
std::string verdict_lines(const json& verdicts) {
  std::string out;
  for (const char* kind : {"missed", "tight"}) {
    Table table;
    for (const auto& v : verdicts)
      if (v.at("verdict") == kind)
        table.row({kind, spoken_subject(v.at("subject")), spoken_quantity(v.at("quantity")),
                   spoken_value(v.at("quantity"), v.at("reading").at("value")),
                   "target: " + text_of(v.at("target"), "text")});
    out += table.text();
  }
  std::vector<std::pair<std::string, int>> reasons;
  for (const auto& v : verdicts) {
    if (v.at("verdict") != "unread") continue;
    const std::string subject = text_of(v, "subject");
    const auto unit = subject.substr(0, subject.find('/', subject.find('/') + 1));
    const auto line = spoken_subject(unit) + ": " + text_of(v, "reason");
    const auto at = std::find_if(reasons.begin(), reasons.end(), [&](auto& r) { return r.first == line; });
    if (at == reasons.end())
      reasons.emplace_back(line, 1);
    else
      ++at->second;
  }
  Table table;
  for (const auto& [line, times] : reasons)
    table.row({"unread", std::to_string(times) + (times == 1 ? " target" : " targets"), line});
  return out + table.text();
}

}  // namespace

std::string render_round(const json& round) {
  std::ostringstream out;
  out << "Round " << round.at("round") << " of " << text_of(round, "site") << ", "
      << text_of(round, "state") << "\n\n";
  out << render_roll({{"cameras", round.at("roll")}, {"strangers", round.at("strangers")}}) << "\n";
  const auto lines = verdict_lines(round.at("verdicts"));
  if (!lines.empty()) out << lines << "\n";
  if (!round.at("findings").empty()) {
    out << "What the readings point to:\n" << render_findings(round.at("findings")) << "\n";
  }
  if (!round.at("headroom").empty()) out << render_uplinks(round.at("headroom")) << "\n";
  if (round.contains("days_held") && !round.at("days_held").empty()) out << render_stores(round.at("days_held")) << "\n";
  const auto& counts = round.at("counts");
  out << counts.at("met") << " met, " << counts.at("tight") << " tight, " << counts.at("missed")
      << " missed, " << counts.at("unread") << " unread.\n";
  return out.str();
}

std::string render_fields(const json& answer) {
  Table table;
  const json unread = answer.value("unread", json::object());
  for (const auto& [key, value] : answer.items()) {
    if (key == "unread" || key == "findings" || key == "subject") continue;
    if (value.is_null())
      table.row({spoken_quantity(key), "unread: " + text_of(unread, key.c_str())});
    else if (value.is_object())
      for (const auto& [inner, v] : value.items())
        table.row({spoken_quantity(key) + " (" + inner + (key == "peak_bps" ? " ms)" : ")"),
                   spoken_value(key, v)});
    else if (value.is_array() && !value.empty() && value.front().is_structured())
      for (const auto& v : value) table.row({spoken_quantity(key), json_line(v)});
    else if (value.is_array()) {
      std::string joined;
      for (const auto& v : value) joined += (joined.empty() ? "" : ", ") + spoken_value("", v);
      table.row({spoken_quantity(key), joined});
    } else
      table.row({spoken_quantity(key), spoken_value(key, value)});
  }
  std::string out = table.text();
  for (const auto& finding : answer.value("findings", json::array()))
    out += "  - " + (finding.is_string() ? finding.get<std::string>() : json_line(finding)) + "\n";
  return out;
}

std::string cautions_of(const std::string& command) {
  if (command == "round" || command == "prove")
    return "Mind: work at height; powered cable and auxiliary supplies only as rated (Class 2 or limited power "
           "source); do not stare into infrared emitters; follow the unit's installation guide; local codes and "
           "licensed practice come first.\n";
  if (command == "bench")
    return "Mind: follow the unit's installation guide; surfaces get hot while it is powered in its box: let it cool before you "
           "touch or mount it. Auxiliary supplies only as rated (Class 2 or limited power source); do not stare into infrared emitters; local "
           "codes and licensed practice come first.\n";
  if (command == "switch" || command == "path" || command == "stream" || command == "tap" || command == "arrivals")
    return "Mind: probe and tap only networks you are asked to.\n";
  if (command == "volume")
    return "Mind: a volume that somebody records to is slower for that recorder while it is measured; measure it before it goes live, or at a quiet "
           "hour.\n";
  if (command == "rehearse")
    return "Mind: send made-up streams only over networks you are asked to; tell those who work on them before.\n";
  return "";
}

}  // namespace tallywire::client
