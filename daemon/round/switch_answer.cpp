#include "daemon/round/switch_answer.hpp"

#include "daemon/verdict/link_findings.hpp"

#include <algorithm>

namespace tallywire::round {
namespace {

using nlohmann::json;

void mark_uplinks(link::SwitchReport& report, const config::Design& design) {
  for (const auto& sw : design.switches)
    if (sw.address == report.address)
      for (auto& port : report.ports)
        if (std::any_of(sw.uplinks.begin(), sw.uplinks.end(), [&](const auto& uplink) { return uplink.port == port.name; }))
          port.leads_to = "switch";
}

// Behind an uplink hang the units of others.
json cameras_at(const link::SwitchPort& port, const config::Design* design) {
  json out = json::array();
  if (!design || port.leads_to == "switch") return out;
  for (const auto& camera : design->cameras)
    for (const auto& learnt : port.learnt)
      if (camera.hardware_address == learnt.hardware_address) out.push_back(camera.id);
  return out;
}

template <class Map>
auto find_port(const Map& map, const link::SwitchPort& port) {
  const auto by_name = map.find(port.name);
  return by_name != map.end() ? by_name : map.find(port.name + " (ifIndex " + std::to_string(port.index) + ")");
}

}  // namespace

json switch_answer(link::SwitchReport report, const std::optional<link::SwitchReport>& before, const config::Design* design) {
  if (design) mark_uplinks(report, *design);
  const auto rates = before ? link::difference(*before, report) : std::map<std::string, link::PortRate>();
  const auto restarted = before ? link::restarted_counters(*before, report) : std::map<std::string, std::string>();
  json answer = report;
  std::vector<Reading> readings;
  for (std::size_t i = 0; i < report.ports.size(); ++i) {
    const auto& port = report.ports[i];
    auto& out = answer["ports"][i];
    const auto rate = find_port(rates, port);
    const auto why = find_port(restarted, port);
    out["cameras"] = cameras_at(port, design);
    out["since_last_look"] = rate == rates.end() ? json() : json(rate->second);
    if (rate == rates.end())
      out["unread"] = {{"since_last_look", !before                  ? "there was one look only"
                                           : why != restarted.end() ? why->second
                                                                    : "its counters allow no difference"}};
    auto told = link::to_readings(report, port, "port/" + port.name, rate == rates.end() ? nullptr : &rate->second);
    readings.insert(readings.end(), std::make_move_iterator(told.begin()), std::make_move_iterator(told.end()));
  }
  answer["findings"] = verdict::find_link_causes(readings);
  return answer;
}

}  // namespace tallywire::round
