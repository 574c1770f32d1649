// The roll, and what the wire showed, as text.
#include "daemon/client/render.hpp"
#include "daemon/client/table.hpp"

#include <nlohmann/json.hpp>

namespace tallywire::client {

using nlohmann::json;

namespace {

std::string joined(const json& list) {
  std::string out;
  for (const auto& one : list) out += (out.empty() ? "" : " ") + (one.is_string() ? one.get<std::string>() : one.dump());
  return out;
}

// "ipv4_address" -> "IPv4 address"
std::string spoken_fact(std::string name) {
  for (auto& c : name)
    if (c == '_') c = ' ';
  for (const char* version : {"4", "6"})
    if (const auto at = name.find("ipv" + std::string(version)); at != std::string::npos) name.replace(at, 3, "IPv");
  return name;
}

}  // namespace

std::string render_findings(const json& findings) {
  std::string out;
  for (const auto& f : findings) {
    out += "  - " + text_of(f, "sentence") + ".\n";
    if (!text_of(f, "next_step").empty()) out += "    Try: " + text_of(f, "next_step") + ".\n";
  }
  return out;
}

std::string render_roll(const json& roll) {
  Table table;
  table.row({"camera", "presence", "address", "hardware address", "port", "since"});
  for (const auto& c : roll.at("cameras"))
    table.row({text_of(c, "camera"), text_of(c, "presence"), text_of(c, "address"), text_of(c, "hardware_address"), text_of(c, "seen_on"),
               text_of(c, "since")});
  std::string out = table.text();
  if (!roll.at("strangers").empty()) {
    Table strangers;
    strangers.row({"stranger", "calls itself", "maker", "address", "port", "since"});
    for (const auto& s : roll.at("strangers"))
      strangers.row({text_of(s, "hardware_address"), text_of(s, "name"), text_of(s, "maker"), text_of(s, "address"), text_of(s, "seen_on"),
                     text_of(s, "first_seen")});
    out += (roll.at("cameras").empty() ? "" : "\n") + strangers.text();
  }
  if (const auto findings = roll.value("findings", json::array()); !findings.empty()) out += "\nWhat the arrivals point to:\n" + render_findings(findings);
  return out;
}

std::string render_presence(const json& event) {
  std::string line = text_of(event, "at") + "  " + text_of(event, "camera") + "  " + text_of(event, "presence") + " (was " + text_of(event, "was") + ")  " +
                     text_of(event, "address");
  if (!text_of(event, "reason").empty()) line += "  (" + text_of(event, "reason") + ")";
  return line + "\n";
}

std::string render_units(const json& answer) {
  std::string out;
  for (const auto& u : answer.at("units")) {
    const auto camera = text_of(u, "camera");
    const std::string nobody = u.at("is_network").get<bool>() ? "network" : "stranger";
    out += (camera.empty() ? nobody : "camera " + camera + " (by its " + spoken_fact(text_of(u, "matched_by")) + ")") + "  " +
           joined(u.at("hardware_addresses")) + (text_of(u, "maker").empty() ? "" : "  " + text_of(u, "maker")) + "\n";
    Table table;
    std::string place = text_of(u, "interface");
    if (!u.at("vlans").empty()) place += ", VLAN " + joined(u.at("vlans"));
    if (!text_of(u, "seen_on").empty()) place += ", port " + text_of(u, "seen_on");
    table.row({"heard", text_of(u, "first_heard") + " to " + text_of(u, "last_heard"), place});
    if (!u.at("starts").empty()) table.row({"started", joined(u.at("starts")), ""});
    for (const auto& f : u.at("facts")) table.row({spoken_fact(text_of(f, "fact")), text_of(f, "value"), "by " + text_of(f, "source")});
    out += table.text() + "\n";
  }
  for (const auto& s : answer.at("dhcp_servers"))
    out += "DHCP server " + text_of(s, "address") + "  " + text_of(s, "hardware_address") + "  on " + text_of(s, "interface") + "\n";
  if (const auto left = answer.value("forgotten_units", 0); left > 0) out += std::to_string(left) + " units were forgotten: more spoke than are kept.\n";
  return out;
}

std::string render_asked(const json& answer) {
  Table table;
  table.row({"at", "interface", "what", "for"});
  for (const auto& a : answer.at("asked")) table.row({text_of(a, "at"), text_of(a, "interface"), text_of(a, "kind"), text_of(a, "address")});
  const auto count = answer.value("asked_frames", std::uint64_t{0});
  return table.text() + std::to_string(count) + " frames were sent in all" +
         (count > answer.at("asked").size() ? "; the newest " + std::to_string(answer.at("asked").size()) + " are listed" : std::string()) + ".\n";
}

}  // namespace tallywire::client
