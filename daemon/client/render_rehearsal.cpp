// A rehearsal as a person at the switch reads it: the verdict, where loss begins, then the steps.
#include "daemon/client/render.hpp"
#include "daemon/client/table.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <cstdio>

namespace tallywire::client {
namespace {

using nlohmann::json;
using verdict::spoken_bit_rate, verdict::spoken_subject;

std::string figure(const char* format, double value) {
  char text[48];
  std::snprintf(text, sizeof text, format, value);
  return text;
}

std::string percent(const json& ratio) { return figure("%.3g %%", ratio.get<double>() * 100); }
std::string rate(const json& bps) { return bps.is_null() ? "unread" : spoken_bit_rate(bps); }
std::string milliseconds(const json& ms) { return ms.is_null() ? "unread" : figure("%.2f ms", ms.get<double>()); }

std::string made_up(const json& m) {
  std::string out = m.at("streams").dump() + " made-up streams, " + rate(m.at("asked_bps")) + " on the wire, phases " + m.at("phases").get<std::string>();
  if (m.at("phases") == "random") out += " (seed " + m.at("seed").dump() + ")";
  return out + ", key frames " + figure("%.3g", m.at("key_ratio")) + " times as large as the others, " + m.at("packet_bytes").dump() +
         " octets a packet; each load held for " + figure("%.3g s", m.at("step_s")) + "\n";
}

std::string where_loss_begins(const json& answer) {
  std::string out;
  if (!answer.at("loss_begins_scale").is_null())
    out = "Loss begins at " + percent(answer.at("loss_begins_scale")) + " of the load, " + rate(answer.at("loss_begins_bps"));
  else
    out = "Where loss begins: " + answer.at("loss_begins_note").get<std::string>();
  if (!answer.at("carried_scale").is_null())
    out += "; " + percent(answer.at("carried_scale")) + " was carried whole";
  const bool between = answer.at("made_up").value("live", json()) == true && !answer.at("loss_begins_scale").is_null() && !answer.at("carried_scale").is_null();
  if (between) out += ". It lies somewhere between: live work is not harmed again to find it; where nobody works, --no-live does";
  out += ".\n";
  if (!answer.at("harm").is_null())
    out += "HARM at " + percent(answer.at("harm").at("scale")) + " of the load, and so it was ended: " +
           answer.at("harm").at("what").get<std::string>() + ".\n";
  if (!answer.at("lost_first").empty()) {
    out += "Lost first:";
    for (const auto& name : answer.at("lost_first")) out += " " + name.get<std::string>();
    out += "\n";
  }
  return out;
}

std::string steps_of(const json& steps) {
  Table table;
  table.row({"load", "offered", "carried", "packets lost", "of key frames", "latest", "busiest 100 ms", "of it came", "sender late (99 %)"});
  bool late = false, dropped = false;
  for (const auto& s : steps) {
    const auto& key = s.at("key_frame_lost_ratio");
    table.row({percent(s.at("scale")) + (s.at("whole") == true ? "" : ", ended"), rate(s.at("offered_bps")), rate(s.at("carried_bps")),
               s.at("lost_packets").dump() + " of " + s.at("sent_packets").dump(), key.is_null() ? "" : percent(key), milliseconds(s.at("latest_ms")),
               rate(s.at("offered_busiest_bps")), rate(s.at("carried_busiest_bps")), milliseconds(s.at("pacing_late_p99_ms"))});
    late = late || s.at("pacing_late_p99_ms") > 1.0;
    dropped = dropped || s.at("far_end_dropped_packets") > 0;
  }
  std::string out = table.text();
  if (late) out += "  This machine sent frames late: a faster one, or one with less to do, shows the path's own bursts.\n";
  if (dropped) out += "  The far end's own socket dropped packets: these are not counted as lost on the path.\n";
  return out;
}

std::string headroom_of(const json& answer) {
  const auto at = answer.find("busiest");
  if (at == answer.end()) return "";
  return "Busiest 100 ms at " + percent(at->at("scale")) + " of the load: " + rate(at->at("offered_busiest_bps")) + " at these phases; by headroom's " +
         "reckoning " + rate(at->at("headroom_once_a_gop_bps")) + " once a GOP, " + rate(at->at("headroom_busiest_bps")) + " with a risk of " +
         figure("%.2g", at->at("headroom_risk_ratio")) + ", which suppose that phases are random.\n";
}

}  // namespace

std::string render_rehearsal(const json& answer) {
  std::string out = made_up(answer.at("made_up")) + "\n";
  Table verdicts;
  for (const auto& v : answer.at("verdicts")) {
    const auto& reading = v.at("reading");
    verdicts.row({spoken_subject(v.at("subject")), v.at("verdict"),
                  reading.at("value").is_null() ? reading.at("unread").get<std::string>() : "carries " + percent(reading.at("value")) + " of what is asked",
                  "asked for: " + v.at("target").at("text").get<std::string>()});
  }
  out += verdicts.text() + "\n" + where_loss_begins(answer) + headroom_of(answer) + "\n" + steps_of(answer.at("steps"));
  for (const auto& [what, why] : answer.at("unread").items()) out += "unread: " + what + ": " + why.get<std::string>() + "\n";
  return out;
}

}  // namespace tallywire::client
