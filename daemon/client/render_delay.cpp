// The part `delay` of the answer of `path` as text.
#include "daemon/client/render.hpp"
#include "daemon/client/table.hpp"

#include <nlohmann/json.hpp>

#include <cstdio>

namespace tallywire::client {
namespace {

using nlohmann::json;

std::string figure(const json& object, const std::string& key, const char* format = "%.3f") {
  const auto at = object.find(key);
  if (at == object.end() || !at->is_number()) return "–";
  char text[32];
  std::snprintf(text, sizeof text, format, at->get<double>());
  return text;
}

std::string share(const json& object, const std::string& key) {
  const auto at = object.find(key);
  return at == object.end() || !at->is_number() ? "" : " (" + figure({{"v", at->get<double>() * 100}}, "v", "%.3g") + " %)";
}

void delay_row(Table& table, const std::string& name, const json& from, const std::string& prefix) {
  const auto key = [&prefix](const char* word) { return prefix + "_" + word + "_ms"; };
  table.row({name, figure(from, key("min")), figure(from, key("median")), figure(from, key("p95")), figure(from, key("p99")), figure(from, key("p999")),
             figure(from, key("max"))});
}

std::string unread_of(const json& part, const std::string& where) {
  Table table;
  for (const auto& [field, reason] : part.at("unread").items())
    if (field.find("_p9") == std::string::npos)  // a dash in the table, explained under it
      table.row({"unread", where + field, reason.get<std::string>()});
  return table.text();
}

}  // namespace

std::string render_delay(const json& answer) {
  const auto part = answer.find("delay");
  if (part == answer.end()) return "";
  if (part->is_null()) return render_fields({{"delay", nullptr}, {"unread", answer.value("unread", json::object())}}) + "\n";
  const auto& d = *part;
  if (d.at("answered_packets") == 0) {
    std::string why = text_of(answer.value("unread", json::object()), "delay");
    return "delay: unread: " + (why.empty() ? "no packet came back" : why) + "; " + text_of(d, "sent_packets") +
           " packets were sent. Try: is the host powered and the cable in; does a reflector run there on this UDP port; does a firewall let it answer.\n\n";
  }
  const auto &to = d.at("to"), &from = d.at("from");
  Table delays;
  delays.row({"in ms", "least", "median", "95 %", "99 %", "99.9 %", "most"});
  delay_row(delays, "round trip, without the reflector's time", d, "round_trip");
  for (const auto& [word, way] : {std::pair{"to", &to}, std::pair{"from", &from}}) {
    const std::string name = word;
    if (way->at("one_way_min_ms").is_number()) delay_row(delays, "one way, " + name + " the far end, ± " + figure(d, "one_way_uncertainty_ms"), *way, "one_way");
    delay_row(delays, "above the least, " + name, *way, "variation");
    delay_row(delays, "packet to packet, " + name, *way, "consecutive_size");
  }
  Table counts;
  counts.row({"packets", "both ways", "to", "from"});
  counts.row({"sent", text_of(d, "sent_packets")});
  counts.row({"lost", text_of(d, "lost_packets") + share(d, "loss_ratio"), figure(to, "lost_packets", "%.0f") + share(to, "loss_ratio"),
              figure(from, "lost_packets", "%.0f") + share(from, "loss_ratio")});
  counts.row({"doubled", text_of(d, "duplicate_packets"), figure(to, "duplicate_packets", "%.0f"), figure(from, "duplicate_packets", "%.0f")});
  counts.row({"out of order", "", figure(to, "reordered_packets", "%.0f") + share(to, "reordered_ratio"),
              figure(from, "reordered_packets", "%.0f") + share(from, "reordered_ratio")});
  counts.row({"routers passed", "", figure(to, "hops", "%.0f"), figure(from, "hops", "%.0f")});
  std::string out = "delay:\n" + delays.text() + "– too few packets: 95 % needs 20, 99 % needs 100, 99.9 % needs 1000\n\n" + counts.text();
  if (d.at("clock_skew_ppm").is_number())
    out += "the far end's clock runs faster than this one by " + figure(d, "clock_skew_ppm", "%.2f") + " ± " + figure(d, "clock_skew_half_width_ppm", "%.2f") +
           " ppm; the variation each way is free of it\n";
  out += text_of(d, "method") + "\n";
  for (const auto& note : d.at("notes")) out += "  - " + note.get<std::string>() + "\n";
  return out + unread_of(d, "") + unread_of(to, "to ") + unread_of(from, "from ") + "\n";
}

}  // namespace tallywire::client
