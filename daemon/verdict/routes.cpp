#include "daemon/verdict/routes.hpp"

#include <algorithm>
#include <deque>
#include <map>

namespace tallywire::verdict {

std::vector<Link> links_of(const config::Design& design) {
  std::vector<Link> links;
  for (const auto& sw : design.switches)
    for (const auto& uplink : sw.uplinks)
      links.push_back({config::subject_of(sw, uplink), uplink.speed_bps, sw.id, uplink.to});
  return links;
}

std::vector<std::size_t> route(const std::vector<Link>& links, const std::string& from,
                               const std::string& to) {
  if (from == to) return {};
  std::map<std::string, std::pair<std::string, std::size_t>> came_by;  // node -> (node before, link)
  std::deque<std::string> open{from};
  came_by[from] = {from, 0};
  while (!open.empty() && !came_by.contains(to)) {
    const std::string node = open.front();
    open.pop_front();
    for (std::size_t i = 0; i < links.size(); ++i) {
      if (links[i].from != node && links[i].to != node) continue;
      const std::string& next = links[i].from == node ? links[i].to : links[i].from;
      if (came_by.try_emplace(next, node, i).second) open.push_back(next);
    }
  }
  std::vector<std::size_t> way;
  if (!came_by.contains(to)) return way;
  for (std::string node = to; node != from; node = came_by[node].first)
    way.push_back(came_by[node].second);
  std::reverse(way.begin(), way.end());
  return way;
}

std::string node_of(const config::Design& design, const config::Recorder& recorder) {
  for (const auto& sw : design.switches)
    for (const auto& uplink : sw.uplinks)
      if (uplink.to == recorder.id) return recorder.id;
  return recorder.switch_id;
}

std::vector<std::size_t> directed_way(const std::vector<Link>& links, const std::string& from, const std::string& to) {
  std::vector<std::size_t> out;
  std::string node = from;
  for (const auto i : route(links, from, to)) {
    const bool along = links[i].from == node;
    out.push_back(2 * i + (along ? 0 : 1));
    node = along ? links[i].to : links[i].from;
  }
  return out;
}

std::string destination_of(const config::Design& design, const std::string& name) {
  for (const auto& recorder : design.recorders)
    for (const auto& volume : recorder.volumes)
      if (std::find(volume.streams.begin(), volume.streams.end(), name) != volume.streams.end())
        return node_of(design, recorder);
  for (const auto& sw : design.switches)
    for (const auto& uplink : sw.uplinks)
      if (uplink.to == "core") return "core";
  return {};
}

std::string stream_name(const config::Camera& camera, const config::Head& head,
                        const config::Stream& stream) {
  return camera.id + "/" + head.id + "/" + stream.id;
}

}  // namespace tallywire::verdict
