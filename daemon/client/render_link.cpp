// The answers of `link` and `switch` as text.
#include "daemon/client/render.hpp"
#include "daemon/client/table.hpp"
#include "daemon/verdict/words.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <cstdio>

namespace tallywire::client {
namespace {

using nlohmann::json;
using verdict::spoken_bit_rate, verdict::spoken_duration;

std::string rate_or(const json& object, const char* key, const char* otherwise) {
  const auto at = object.find(key);
  return at == object.end() || at->is_null() ? otherwise : spoken_bit_rate(at->get<double>());
}

std::string watts(const json& value) {
  char text[32];
  std::snprintf(text, sizeof text, "%.4g W", value.get<double>());
  return text;
}

std::string joined(const json& list, const char* between = ", ") {
  std::string out;
  for (const auto& each : list) out += (out.empty() ? "" : between) + each.get<std::string>();
  return out;
}

std::string finding_lines(const json& findings) {
  if (findings.empty()) return "";
  std::string out = "What the readings point to:\n";
  for (const auto& f : findings) {
    out += "  - " + text_of(f, "sentence") + ".\n    Try: " + text_of(f, "next_step") + ".\n";
    for (const auto& e : f.at("evidence")) out += "    Seen: " + e.get<std::string>() + ".\n";
  }
  return out;
}

std::string unread_lines(const json& unread) {
  Table table;
  for (const auto& [field, reason] : unread.items()) table.row({"unread", field, reason.get<std::string>()});
  return table.text();
}

// "delivering, class 4, asks 22 W"
std::string power_cell(const json& p) {
  std::string out = text_of(p, "power_state");
  if (out == "searching" || out == "disabled") return out;
  if (!p.at("power_class").is_null()) out += ", class " + text_of(p, "power_class");
  if (!p.at("power_requested_w").is_null()) out += ", asks " + watts(p.at("power_requested_w"));
  if (!p.at("power_allocated_w").is_null()) out += ", given " + watts(p.at("power_allocated_w"));
  return out;
}

std::string errors_cell(const json& p) {
  const auto& change = p.at("since_last_look");
  const auto total = text_of(p, "in_errors");
  return change.is_null() ? total : "+" + text_of(change, "new_errors") + " of " + total;
}

std::string load_cell(const json& p) {
  const auto& change = p.at("since_last_look");
  return change.is_null() ? "" : rate_or(change, "in_bps", "") + " / " + rate_or(change, "out_bps", "");
}

// More addresses than a unit has are counted, not listed.
std::string units_cell(const json& p) {
  const auto& learnt = p.at("learnt_addresses");
  if (p.at("leads_to") != "many" && p.at("leads_to") != "switch")
    return (p.at("cameras").empty() ? "" : joined(p.at("cameras")) + ": ") + joined(learnt, " ");
  return (p.at("leads_to") == "switch" ? "a switch, " : "many: ") + std::to_string(learnt.size()) + (learnt.size() == 1 ? " address" : " addresses");
}

std::string speed_cell(const json& p) {
  if (p.at("link_speed_bps").is_null()) return text_of(p, "link_state") == "up" ? "unread" : "";
  const auto runs = text_of(p, "runs");
  return spoken_bit_rate(p.at("link_speed_bps")) + (runs.empty() ? "" : " (" + runs + ")");
}

std::string switch_head(const json& a) {
  Table table;
  table.row({"switch", text_of(a, "sys_name") + " at " + text_of(a, "address")});
  table.row({"description", text_of(a, "sys_descr")});
  table.row({"running for", spoken_duration(a.at("sys_uptime_s").get<double>())});
  for (const auto& c : a.at("chassis"))
    table.row({"chassis", text_of(c, "model") + ", serial number " + text_of(c, "serial") + ", software " + text_of(c, "software")});
  for (const auto& s : a.at("power_supplies"))
    table.row({"power supply " + text_of(s, "group"),
               (s.at("drawn_w").is_null() ? "draw unread" : watts(s.at("drawn_w")) + " drawn") + " of " +
                   (s.at("power_w").is_null() ? "unread" : watts(s.at("power_w"))) + ", " + text_of(s, "state")});
  if (!a.at("power_rule").is_null()) table.row({"power ports", "found by " + text_of(a, "power_rule")});
  char text[64];
  std::snprintf(text, sizeof text, "%.2f s, %d messages", a.at("read_s").get<double>(), a.at("messages").get<int>());
  table.row({"read in", text});
  return table.text();
}

std::string port_text(const json& p) {
  Table table;
  std::string state = text_of(p, "link_state");
  if (!p.at("link_speed_bps").is_null()) state += ", " + spoken_bit_rate(p.at("link_speed_bps"));
  if (!p.at("duplex").is_null()) state += " " + text_of(p, "duplex") + " duplex";
  if (!p.at("negotiation").is_null()) state += ", negotiation " + text_of(p, "negotiation");
  table.row({"port", text_of(p, "interface") + " (" + text_of(p, "hardware_address") + ")"});
  table.row({"link", state});
  if (const auto n = p.find("neighbour"); n != p.end() && !n->is_null()) {
    const auto name = text_of(*n, "system_name").empty() ? text_of(*n, "chassis_id") : text_of(*n, "system_name");
    table.row({"neighbour", "you are on switch " + name + ", port " + text_of(*n, "port_id") +
                                (text_of(*n, "port_description").empty() ? "" : " (" + text_of(*n, "port_description") + ")")});
    if (!text_of(*n, "management_address").empty()) table.row({"its address", text_of(*n, "management_address")});
  }
  if (!p.at("own_modes").empty()) table.row({"this end offers", joined(p.at("own_modes"))});
  if (!p.at("peer_modes").empty()) table.row({"the other offers", joined(p.at("peer_modes"))});
  if (!p.at("link_downs").is_null()) table.row({"link went down", text_of(p, "link_downs") + " times"});
  table.row({"MTU", text_of(p, "mtu_bytes") + " octets"});
  for (const auto& [name, value] : p.at("counters").items())
    table.row({name, json_line(value), p.at("counter_sources").value(name, "")});
  if (const auto test = p.find("cable_test"); test != p.end() && !test->is_null())
    for (const auto& pair : test->at("pairs"))
      table.row({"pair " + text_of(pair, "pair") + " (" + text_of(pair, "wires") + ")",
                 text_of(pair, "result") + (pair.at("distance_m").is_null() ? "" : " at " + text_of(pair, "distance_m") + " m")});
  return table.text() + finding_lines(p.at("findings")) + unread_lines(p.at("unread"));
}

}  // namespace

std::string render_link(const json& answer) {
  std::string out;
  for (const auto& port : answer.at("ports")) out += port_text(port) + "\n";
  return out;
}

std::string render_switch(const json& answer) {
  Table ports;
  ports.row({"port", "state", "speed", "duplex", "in / out", "errors in", "power", "units"});
  for (const auto& p : answer.at("ports"))
    ports.row({text_of(p, "name"), text_of(p, "admin_state") == "down" ? "switched off" : text_of(p, "link_state"), speed_cell(p),
               text_of(p, "duplex"), load_cell(p), errors_cell(p), power_cell(p), units_cell(p)});
  Table neighbours;
  for (const auto& n : answer.at("neighbours"))
    neighbours.row({"neighbour", text_of(n, "local_port"), text_of(n, "system_name"), "port " + text_of(n, "port_id"), joined(n.at("management_addresses"))});
  return switch_head(answer) + "\n" + ports.text() + "\n" + neighbours.text() + finding_lines(answer.at("findings")) + unread_lines(answer.at("unread"));
}

}  // namespace tallywire::client
