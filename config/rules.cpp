// Faults between the parts of a design: what no single key can show.
#include "config/addresses.hpp"
#include "config/loader.hpp"
#include "config/witness_points.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <map>
#include <set>

namespace tallywire::config {
namespace {

std::string index(const std::string& list, std::size_t i) { return "/" + list + "/" + std::to_string(i); }

std::string mbps(double bps) {
  char text[40];
  std::snprintf(text, sizeof text, "%.6g Mbit/s", bps / 1e6);
  return text;
}

class Rules {
 public:
  Rules(const Design& design, ReadingFile& file) : design_(design), file_(file) {}

  void check() {
    for (std::size_t i = 0; i < design_.switches.size(); ++i) check_switch(i);
    for (std::size_t i = 0; i < design_.cameras.size(); ++i) check_camera(i);
    for (std::size_t i = 0; i < design_.recorders.size(); ++i) check_recorder(i);
    if (design_.far_end) {
      unique_host("/far_end/address", design_.far_end->address, false);
      known_switch("/far_end/switch", design_.far_end->switch_id);
    }
    if (design_.entry_switch) known_switch("/entry_switch", *design_.entry_switch);
    check_nightly();
    check_witness_points();
  }

 private:
  void id(const std::string& pointer, const std::string& kind, const std::string& value) {
    if (value.empty()) return;  // its absence was told
    if (!is_id(value))
      file_.fault(pointer, "the id “" + value + "” has a character that ids may not have",
                  "letters, digits, - and _ only");
    const auto [at, fresh] = ids_.try_emplace(kind + " " + value, pointer);
    if (!fresh)
      file_.fault(pointer, "the id “" + value + "” is used twice", "it stands at " + at->second + " already");
  }

  void unique_host(const std::string& pointer, const std::string& address, bool unique = true) {
    if (address.empty()) return;
    if (!is_ip_address(address)) {
      file_.fault(pointer, "“" + address + "” is no IP address", "write it in numbers, such as 192.0.2.10");
      return;
    }
    if (!unique) return;
    const auto [at, fresh] = addresses_.try_emplace(address, pointer);
    if (!fresh)
      file_.fault(pointer, "the address " + address + " is used twice", "it stands at " + at->second + " already");
  }

  const Switch* known_switch(const std::string& pointer, const std::string& id) {
    const auto* found = design_.find_switch(id);
    if (!found && !id.empty()) {
      std::string known;
      for (const auto& sw : design_.switches) known += (known.empty() ? "" : ", ") + sw.id;
      file_.fault(pointer, "there is no switch “" + id + "”", "the switches are: " + known);
    }
    return found;
  }

  void take_port(const std::string& pointer, const std::string& sw, const std::string& port) {
    const auto* found = design_.find_switch(sw);
    if (!found || port.empty()) return;
    if (std::find(found->ports.begin(), found->ports.end(), port) == found->ports.end()) {
      std::string known;
      for (const auto& name : found->ports) known += (known.empty() ? "" : ", ") + name;
      file_.fault(pointer, "switch " + sw + " has no port “" + port + "”", "its ports are: " + known);
      return;
    }
    const auto [at, fresh] = ports_.try_emplace(sw + " " + port, pointer);
    if (!fresh)
      file_.fault(pointer, "port " + port + " of switch " + sw + " is used twice",
                  "it is taken at " + at->second + " already");
  }

  void speed(const std::string& pointer, std::uint64_t bps) {
    // IEEE 802.3: speeds of copper and fibre ports in the field.
    static const std::set<std::uint64_t> speeds = {10'000'000,    100'000'000,   1'000'000'000,  2'500'000'000,
                                                   5'000'000'000, 10'000'000'000, 25'000'000'000, 40'000'000'000,
                                                   100'000'000'000};
    if (speeds.contains(bps)) return;
    if (file_.text.values.contains(pointer))
      file_.fault(pointer, mbps(static_cast<double>(bps)) + " is no speed that Ethernet has",
                  "10, 100, 1000, 2500, 5000, 10000, 25000, 40000 or 100000");
  }

  void check_switch(std::size_t i) {
    const auto& sw = design_.switches[i];
    const auto at = index("switches", i);
    id(at + "/id", "switch", sw.id);
    unique_host(at + "/address", sw.address);
    std::set<std::string> names;
    for (std::size_t p = 0; p < sw.ports.size(); ++p)
      if (!names.insert(sw.ports[p]).second)
        file_.fault(at + index("ports", p), "port " + sw.ports[p] + " is listed twice", "list each port once");
    for (std::size_t u = 0; u < sw.uplinks.size(); ++u) {
      const auto& uplink = sw.uplinks[u];
      const auto here = at + index("uplinks", u);
      id(here + "/id", "uplink of " + sw.id, uplink.id);
      take_port(here + "/port", sw.id, uplink.port);
      speed(here + "/speed_mbps", uplink.speed_bps);
      const bool recorder = std::any_of(design_.recorders.begin(), design_.recorders.end(),
                                        [&](const Recorder& r) { return r.id == uplink.to; });
      if (uplink.to.empty() || uplink.to == "core" || recorder) continue;
      if (uplink.to == sw.id)
        file_.fault(here + "/to", "an uplink cannot lead to its own switch", "name the switch at its other end");
      else if (!design_.find_switch(uplink.to))
        file_.fault(here + "/to", "the uplink leads to “" + uplink.to + "”, which is not in the design",
                    "another switch, a recorder, or “core”");
    }
  }

  void check_camera(std::size_t i) {
    const auto& camera = design_.cameras[i];
    const auto at = index("cameras", i);
    id(at + "/id", "camera", camera.id);
    unique_host(at + "/address", camera.address);
    known_switch(at + "/switch", camera.switch_id);
    take_port(at + "/port", camera.switch_id, camera.port);
    speed(at + "/link_speed_mbps", camera.link_speed_bps);
    if (!camera.hardware_address && !camera.serial)
      file_.fault(at + "/hardware_address", "the camera has neither hardware address nor serial number",
                  "add at least one, or nobody can tell units apart");
    if (camera.hardware_address) check_hardware(at + "/hardware_address", *camera.hardware_address);
    if (camera.bench_ambient_min_c && camera.bench_ambient_max_c &&
        *camera.bench_ambient_min_c > *camera.bench_ambient_max_c)
      file_.fault(at + "/bench_ambient_min_c", "the ambient range is upside down", "least first, greatest second");
    check_heads(at, camera);
  }

  void check_hardware(const std::string& pointer, const std::string& address) {
    if (!is_hardware_address(address)) {
      file_.fault(pointer, "“" + address + "” is no hardware address", "six pairs, such as 02:00:5e:10:00:31");
      return;
    }
    const auto [at, fresh] = hardware_.try_emplace(address, pointer);
    if (!fresh)
      file_.fault(pointer, "the hardware address " + address + " is used twice",
                  "it stands at " + at->second + " already");
  }

  void check_heads(const std::string& at, const Camera& camera) {
    double sum_bps = 0;
    std::string last;
    for (std::size_t h = 0; h < camera.heads.size(); ++h) {
      const auto& head = camera.heads[h];
      const auto head_at = at + index("heads", h);
      id(head_at + "/id", "head of " + camera.id, head.id);
      for (std::size_t s = 0; s < head.streams.size(); ++s) {
        const auto& stream = head.streams[s];
        last = head_at + index("streams", s);
        id(last + "/id", "stream of " + camera.id + "/" + head.id, stream.id);
        streams_.insert(camera.id + "/" + head.id + "/" + stream.id);
        sum_bps += static_cast<double>(stream.bit_rate_bps);
        if (static_cast<double>(stream.bit_rate_bps) > static_cast<double>(camera.link_speed_bps))
          file_.fault(last + "/bit_rate_kbps",
                      "a stream of " + mbps(static_cast<double>(stream.bit_rate_bps)) +
                          " could never fit its port of " + mbps(static_cast<double>(camera.link_speed_bps)),
                      "lower the bit rate or give the camera a faster port");
        if (stream.path && stream.path->front() != '/')
          file_.fault(last + "/path", "the path “" + *stream.path + "” does not begin with /", "write it as /…");
      }
    }
    check_cards(at, camera);
    const double room = static_cast<double>(camera.link_speed_bps);
    if (camera.heads.size() > 0 && sum_bps > room && sum_bps > 0 && room > 0)
      file_.fault(at + "/heads", "the camera's streams together, " + mbps(sum_bps) + ", could never fit its port of " + mbps(room),
                  "lower bit rates or give the camera a faster port");
  }

  void check_cards(const std::string& at, const Camera& camera) {
    if (camera.cards.empty() && (!camera.card_streams.empty() || camera.card_days_to_hold > 0))
      file_.fault(at + (camera.card_streams.empty() ? "/card_days_to_hold" : "/card_streams"), "the camera has no cards",
                  "list its “cards”, or leave this out");
    std::set<std::string> once;
    for (std::size_t s = 0; s < camera.card_streams.size(); ++s) {
      const auto here = at + index("card_streams", s);
      if (!streams_.contains(camera.id + "/" + camera.card_streams[s]))
        file_.fault(here, "the camera has no stream “" + camera.card_streams[s] + "”", "write head/stream");
      else if (!once.insert(camera.card_streams[s]).second)
        file_.fault(here, "the stream is listed twice", "list it once");
    }
  }

  void check_recorder(std::size_t i) {
    const auto& recorder = design_.recorders[i];
    const auto at = index("recorders", i);
    id(at + "/id", "recorder", recorder.id);
    if (design_.find_switch(recorder.id))
      file_.fault(at + "/id", "the recorder is called like a switch", "give it an id of its own");
    unique_host(at + "/address", recorder.address);
    known_switch(at + "/switch", recorder.switch_id);
    const auto* sw = design_.find_switch(recorder.switch_id);
    const bool by_uplink = sw && std::any_of(sw->uplinks.begin(), sw->uplinks.end(), [&](const Uplink& u) {
      return u.port == recorder.port && u.to == recorder.id;
    });
    if (!by_uplink) take_port(at + "/port", recorder.switch_id, recorder.port);
    for (std::size_t v = 0; v < recorder.volumes.size(); ++v) {
      const auto& volume = recorder.volumes[v];
      const auto here = at + index("volumes", v);
      id(here + "/id", "volume of " + recorder.id, volume.id);
      if (volume.on_far_end && !design_.far_end)
        file_.fault(here + "/on_far_end", "the volume is on the far end, and the design has none", "add “far_end”");
      std::set<std::string> once;
      for (std::size_t s = 0; s < volume.streams.size(); ++s) {
        if (!streams_.contains(volume.streams[s]))
          file_.fault(here + index("streams", s), "there is no stream “" + volume.streams[s] + "”",
                      "write camera/head/stream");
        else if (!once.insert(volume.streams[s]).second)
          file_.fault(here + index("streams", s), "the stream is listed twice", "list it once");
      }
    }
  }

  void check_witness_points() {
    for (std::size_t i = 0; i < design_.witness_points.size(); ++i) {
      const auto at = index("witness_points", i);
      if (!file_.text.values.contains(at)) return;  // the default ones
      const auto& point = design_.witness_points[i];
      id(at + "/id", "witness point", point.id);
      if (point.text.size() > most_witness_text_octets)
        file_.fault(at + "/text", "the text is longer than " + std::to_string(most_witness_text_octets) + " octets", "say it in a line");
      if (!point.fed_by.empty() && point.at != WitnessedAt::unit && point.at != WitnessedAt::head)
        file_.fault(at + "/fed_by", "only units and heads are fed", "leave “fed_by” out, or set “for” to “unit” or “head”");
    }
  }

  void check_nightly() {
    if (!design_.nightly_at) return;
    int hour = -1, minute = -1, length = 0;
    const auto& text = *design_.nightly_at;
    const int fields = std::sscanf(text.c_str(), "%2d:%2d%n", &hour, &minute, &length);
    if (fields == 2 && text.size() == 5 && length == 5 && hour >= 0 && hour < 24 && minute >= 0 && minute < 60) return;
    file_.fault("/nightly_at", "“" + text + "” is no time of day", "write HH:MM, such as 02:30");
  }

  const Design& design_;
  ReadingFile& file_;
  std::map<std::string, std::string> ids_, addresses_, hardware_, ports_;
  std::set<std::string> streams_;
};

}  // namespace

void check_rules(const Design& design, ReadingFile& file) { Rules(design, file).check(); }

}  // namespace tallywire::config
