// sightings FILE: what arrivals::SightingReader finds in a capture file, a JSON object a line, for tests to hold field by field
// against other decoders. Keys are the fields of the structs. Exit code 2 when it is no capture, 1 when it is damaged.
#include "probes/arrivals/sighting.hpp"
#include "probes/tap/capture_file.hpp"

#include <nlohmann/json.hpp>

#include <cstdio>
#include <iostream>

using namespace tallywire;
using nlohmann::json;

namespace {

template <class Value>
json maybe(const std::optional<Value>& value) {
  return value ? json(*value) : json();
}

json maybe_text(const std::optional<wire::Ipv4>& address) { return address ? json(wire::text_of(*address)) : json(); }

template <class Address>
json maybe_text(const std::optional<Address>& address) {
  return address ? json(address->text()) : json();
}

json texts_of(const std::vector<wire::IpAddress>& addresses) {
  json out = json::array();
  for (const auto& address : addresses) out.push_back(address.text());
  return out;
}

json told(const wire::ArpPacket& m) {
  static constexpr const char* names[] = {"request", "reply", "probe", "announcement"};
  return {{"said", "arp"}, {"kind", names[static_cast<int>(m.kind)]}, {"sender", m.sender.text()},
          {"sender_address", wire::text_of(m.sender_address)}, {"target", m.target.text()}, {"target_address", wire::text_of(m.target_address)}};
}

json told(const wire::DhcpMessage& m) {
  json routers = json::array();
  for (const auto& router : m.routers) routers.push_back(wire::text_of(router));
  return {{"said", "dhcp"}, {"from_client", m.from_client}, {"kind", static_cast<int>(m.kind)}, {"transaction", m.transaction},
          {"seconds_tried", m.seconds_tried}, {"client", m.client.text()}, {"client_address", maybe_text(m.client_address)},
          {"your_address", maybe_text(m.your_address)}, {"relay_address", maybe_text(m.relay_address)},
          {"requested_address", maybe_text(m.requested_address)}, {"server", maybe_text(m.server)},
          {"subnet_mask", maybe_text(m.subnet_mask)}, {"routers", routers}, {"lease_s", maybe(m.lease_s)},
          {"host_name", m.host_name}, {"full_name", m.full_name}, {"vendor_class", m.vendor_class}, {"client_id", m.client_id},
          {"asked_options", m.asked_options}, {"circuit_id", m.circuit_id}, {"remote_id", m.remote_id}};
}

json told(const wire::Icmpv6Message& m) {
  return {{"said", "icmpv6"}, {"kind", name_of(m.kind)}, {"source", m.source.text()}, {"destination", m.destination.text()},
          {"target", maybe_text(m.target)}, {"link_layer", maybe_text(m.link_layer)}, {"groups", texts_of(m.groups)},
          {"groups_left", texts_of(m.groups_left)}, {"is_router", m.is_router}, {"solicited", m.solicited},
          {"overrides", m.overrides}, {"owned", maybe_text(m.owned())}};
}

json told(const std::vector<wire::DnsRecord>& records) {
  json out = json::array();
  for (const auto& r : records)
    out.push_back({{"name", r.name}, {"type", r.type}, {"flushes_cache", r.flushes_cache}, {"ttl_s", r.ttl_s}, {"target", r.target},
                   {"port", r.port}, {"texts", r.texts}, {"address", maybe_text(r.address)}});
  return out;
}

json told(const wire::DnsMessage& m) {
  json questions = json::array();
  for (const auto& q : m.questions) questions.push_back({{"name", q.name}, {"type", q.type}, {"wants_unicast", q.wants_unicast}});
  return {{"said", "dns"}, {"id", m.id}, {"is_response", m.is_response}, {"questions", questions}, {"answers", told(m.answers)},
          {"authorities", told(m.authorities)}, {"additionals", told(m.additionals)}};
}

json told(const wire::WsDiscoveryMessage& m) {
  json devices = json::array();
  for (const auto& d : m.devices)
    devices.push_back({{"endpoint", d.endpoint}, {"types", d.types}, {"scopes", d.scopes}, {"service_addresses", d.service_addresses},
                       {"metadata_version", d.metadata_version}, {"name", d.name}, {"hardware", d.hardware},
                       {"location", d.location}, {"serial", d.serial}, {"hardware_address", d.hardware_address}});
  return {{"said", "ws_discovery"}, {"kind", name_of(m.kind)}, {"message_id", m.message_id}, {"relates_to", m.relates_to},
          {"instance", maybe(m.instance)}, {"devices", devices}};
}

json told(const wire::LldpPower& p) {
  json out = {{"is_source", p.is_source}, {"supported", p.supported}, {"enabled", p.enabled}, {"pairs_selectable", p.pairs_selectable},
              {"pairs", p.pairs}, {"power_class", maybe(p.power_class)}, {"type", maybe(p.type)}, {"type_is_source", p.type_is_source},
              {"source", maybe(p.source)}, {"priority", maybe(p.priority)}, {"takes_both_modes", p.takes_both_modes},
              {"requested_w", maybe(p.requested_w)}, {"allocated_w", maybe(p.allocated_w)},
              {"extended_class", maybe(p.extended_class)}, {"maximum_w", maybe(p.maximum_w)}, {"extension", nullptr}};
  if (!p.extension) return out;
  const auto& e = *p.extension;
  out["extension"] = {{"requested_a_w", e.requested_a_w}, {"requested_b_w", e.requested_b_w}, {"allocated_a_w", e.allocated_a_w},
                      {"allocated_b_w", e.allocated_b_w}, {"powering", e.powering}, {"powered", e.powered}, {"pairs", e.pairs},
                      {"class_a", e.class_a}, {"class_b", e.class_b}, {"type", e.type}, {"isolated", e.isolated},
                      {"autoclass_supported", e.autoclass_supported}, {"autoclass_done", e.autoclass_done},
                      {"autoclass_asked", e.autoclass_asked}, {"power_down", e.power_down}, {"power_down_s", e.power_down_s}};
  return out;
}

json told(const wire::LldpMacPhy& m) {
  return {{"negotiation_supported", m.negotiation_supported}, {"negotiation_enabled", m.negotiation_enabled},
          {"advertised", m.advertised}, {"mau_type", m.mau_type}};
}

json told(const wire::LldpAggregation& a) { return {{"capable", a.capable}, {"aggregated", a.aggregated}, {"port", a.port}}; }

json told(const wire::LldpMedPower& p) {
  return {{"is_source", p.is_source}, {"source", p.source}, {"priority", p.priority}, {"power_w", p.power_w}};
}

template <class Value>
json maybe_told(const std::optional<Value>& value) {
  return value ? told(*value) : json();
}

json told(const wire::LldpNeighbour& n) {
  json management = json::array(), vlans = json::array();
  for (const auto& m : n.management)
    management.push_back({{"address", m.address}, {"numbering", m.numbering}, {"interface", m.interface}});
  for (const auto& vlan : n.vlans) vlans.push_back({{"id", vlan.id}, {"name", vlan.name}});
  const auto& i = n.inventory;
  return {{"said", "lldp"}, {"chassis_subtype", n.chassis_subtype}, {"chassis_id", n.chassis_id}, {"port_subtype", n.port_subtype},
          {"port_id", n.port_id}, {"time_to_live_s", n.time_to_live_s}, {"port_description", n.port_description},
          {"system_name", n.system_name}, {"system_description", n.system_description}, {"capabilities", maybe(n.capabilities)},
          {"enabled_capabilities", maybe(n.enabled_capabilities)}, {"management", management}, {"mac_phy", maybe_told(n.mac_phy)},
          {"power", maybe_told(n.power)}, {"aggregation", maybe_told(n.aggregation)},
          {"maximum_frame_octets", maybe(n.maximum_frame_octets)}, {"port_vlan", maybe(n.port_vlan)}, {"vlan_names", vlans},
          {"inventory", {i.hardware, i.firmware, i.software, i.serial, i.manufacturer, i.model, i.asset}},
          {"med_power", maybe_told(n.med_power)}};
}

void print(std::uint64_t number, const arrivals::Sighting& sighting) {
  json out = std::visit([](const auto& message) { return told(message); }, sighting.said);
  out["frame"] = number;
  out["when_ns"] = std::int64_t{sighting.when.time_since_epoch().count()};
  out["frame_source"] = sighting.source.text();
  out["vlans"] = sighting.vlans;
  out["sent_from"] = maybe_text(sighting.sent_from);
  std::cout << out.dump() << '\n';
}

}  // namespace

int main(int count, char** arguments) {
  if (count != 2) {
    std::fprintf(stderr, "usage: sightings FILE\n");
    return 2;
  }
  const auto file = tap::CaptureFile::open(arguments[1]);
  if (!file) {
    std::fprintf(stderr, "%s\n", file.error().sentence().c_str());
    return 2;
  }
  std::uint64_t number = 0;
  arrivals::SightingReader reader;
  for (auto frames = (*file)->next(); !frames.empty(); frames = (*file)->next())
    for (const auto& frame : frames) {
      ++number;
      if (const auto found = reader.add(frame.octets, frame.link, frame.when)) print(number, *found);
    }
  if (!(*file)->damage()) return 0;
  std::fprintf(stderr, "%s\n", (*file)->damage()->sentence().c_str());
  return 1;
}
