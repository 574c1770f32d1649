// What each protocol says of its sender, as facts of a unit.
#include "probes/arrivals/unit_table.hpp"

#include <algorithm>
#include <cstdio>
#include <utility>

namespace tallywire::arrivals {
namespace {

template <class... F>
struct Overloaded : F... {
  using F::operator()...;
};
template <class... F>
Overloaded(F...) -> Overloaded<F...>;

constexpr std::uint16_t bridges = 1 << 2, routes = 1 << 4;  // LLDP system capabilities (IEEE 802.1AB §8.5.8)

std::string words(const std::vector<std::uint8_t>& numbers) {
  std::string out;
  for (const auto n : numbers) out += (out.empty() ? "" : " ") + std::to_string(n);
  return out;
}

std::string without_local(std::string name) {
  constexpr std::string_view local = ".local";
  if (name.ends_with(local)) name.resize(name.size() - local.size());
  return name;
}

// "Head 1._rtsp._tcp.local" -> "_rtsp._tcp", "Head 1". Dots within a label are escaped (wire/dns_message.hpp).
std::optional<std::pair<std::string, std::string>> service_of(const std::string& name) {
  for (auto at = name.find("._"); at != std::string::npos; at = name.find("._", at + 1)) {
    if (at > 0 && name[at - 1] == '\\') continue;
    return std::make_pair(without_local(name.substr(at + 1)), name.substr(0, at));
  }
  return std::nullopt;
}

constexpr auto probes_take = std::chrono::seconds(20);  // from the first probe to the claim: RFC 5227 §1.1 asks for 9 s at most
constexpr auto off_for = std::chrono::seconds(10);      // nobody starts sooner; a unit that is here answers more often
constexpr unsigned requests_in_vain = 3;

bool has(const Unit& unit, What what, const std::string& value) {
  return std::any_of(unit.facts.begin(), unit.facts.end(), [&](const Fact& f) { return f.what == what && f.value == value; });
}

bool is_link_local(const wire::IpAddress& a) {
  if (!a.ipv6) return a.octets[0] == 169 && a.octets[1] == 254;
  return a.ipv6 && a.octets[0] == 0xfe && (a.octets[1] & 0xc0) == 0x80;
}

}  // namespace

std::vector<UnitTable::Heard> UnitTable::hear(const Sighting& sighting, const std::string& interface) {
  if (const auto* message = std::get_if<wire::WsDiscoveryMessage>(&sighting.said); message && !message->devices.empty())
    return hear_devices(sighting, *message, interface);
  wire::MacAddress who = sighting.source;
  const auto* dhcp = std::get_if<wire::DhcpMessage>(&sighting.said);
  if (const auto* arp = std::get_if<wire::ArpPacket>(&sighting.said)) who = arp->sender;
  if (dhcp && dhcp->from_client) who = dhcp->client;
  if (const auto* v6 = std::get_if<wire::Icmpv6Message>(&sighting.said); v6 && v6->link_layer) who = *v6->link_layer;
  if (who.is_zero() || who.is_group() || own_.contains(who)) return {};
  Heard heard;
  heard.unit = unit_of(who, sighting.when, heard);
  const auto before = heard.fresh ? std::nullopt : std::optional(units_[heard.unit].last_heard);
  mark(heard.unit, sighting, interface);
  Speaker s{&units_[heard.unit], &memory_[heard.unit], sighting.when, &heard, before};
  std::visit(Overloaded{[&](const wire::ArpPacket& m) { hear_arp(s, m); },
                        [&](const wire::DhcpMessage& m) {
                          if (m.from_client) hear_dhcp_client(s, m);
                          else (m.relay_address ? s.unit->is_network : s.unit->serves_dhcp) = true;
                        },
                        [&](const wire::Icmpv6Message& m) { hear_icmpv6(s, m); },
                        [&](const wire::DnsMessage& m) { hear_mdns(s, m, sighting.sent_from); },
                        [&](const wire::WsDiscoveryMessage&) {},  // it asks for devices: somebody is there, no more
                        [&](const wire::LldpNeighbour& m) { hear_lldp(s, m); }},
             sighting.said);
  if (dhcp) hear_dhcp_server(sighting, *dhcp, interface);
  const auto at = by_hardware_.find(who);  // joining may have moved it
  if (at == by_hardware_.end()) return {};
  heard.unit = at->second;
  return {heard};
}

void UnitTable::hear_arp(Speaker& s, const wire::ArpPacket& arp) {
  auto& memory = *s.memory;
  if (const auto owned = arp.owned()) {
    const auto address = wire::text_of(*owned);
    tell(s, What::ipv4_address, Source::arp, address);
    if (has(*s.unit, What::wanted_ipv4_address, address) && memory.requests > 0) memory.is_served = true;
    if (address != memory.probed) return;
    memory.probed.clear();
    if (!memory.was_silent || s.when - memory.probed_at > probes_take) return;
    Speaker then{s.unit, s.memory, memory.probed_at, s.heard};
    return start(then, Sign::address_probed, address, false);
  }
  // Switches and other surveyors probe for what is not theirs: only who claims the address afterwards has started.
  const auto wanted = wire::text_of(arp.target_address);
  tell(s, What::wanted_ipv4_address, Source::arp, wanted);
  if (wanted == memory.probed && s.when - memory.probed_at <= probes_take) return;
  memory.probed = wanted;
  memory.probed_at = s.when;
  memory.was_silent = !s.before || s.when - *s.before >= off_for;
}

void UnitTable::hear_dhcp_client(Speaker& s, const wire::DhcpMessage& m) {
  tell(s, What::host_name, Source::dhcp, m.host_name);
  tell(s, What::vendor_class, Source::dhcp, m.vendor_class);
  tell(s, What::asked_options, Source::dhcp, words(m.asked_options));
  if (!m.circuit_id.empty() || !m.remote_id.empty())
    tell(s, What::relay_port, Source::dhcp, m.remote_id + (m.remote_id.empty() || m.circuit_id.empty() ? "" : " ") + m.circuit_id);
  if (m.client_address) tell(s, What::ipv4_address, Source::dhcp, wire::text_of(*m.client_address));
  if (m.requested_address) tell(s, What::wanted_ipv4_address, Source::dhcp, wire::text_of(*m.requested_address));
  follow_lease(s, m);
}

// A unit that was served and asks from the beginning has started again. Not so one that no server answers, which asks on and on, nor
// one that was refused, or found its address taken.
void UnitTable::follow_lease(Speaker& s, const wire::DhcpMessage& m) {
  auto& memory = *s.memory;
  const auto begin = [&] {
    if (memory.is_served || memory.starts[static_cast<std::size_t>(Sign::dhcp_began)].empty()) start(s, Sign::dhcp_began, "", false);
    memory.is_served = false;
  };
  if (m.kind == wire::DhcpKind::discover) return begin();
  if (m.kind == wire::DhcpKind::decline) memory.is_served = false;
  if (m.kind != wire::DhcpKind::request) return;
  memory.requests = m.transaction == memory.transaction ? memory.requests + 1 : 1;
  memory.transaction = m.transaction;
  // It remembers an address and asks whether it may have it again (INIT-REBOOT, RFC 2131 §4.3.2).
  if (!m.server && !m.client_address && m.requested_address) {
    if (memory.requests == 1) begin();
    return;
  }
  memory.is_served = m.client_address || memory.requests < requests_in_vain;
  memory.was_ever_served = memory.was_ever_served || memory.is_served;
}

void UnitTable::hear_icmpv6(Speaker& s, const wire::Icmpv6Message& m) {
  if (const auto owned = m.owned()) tell(s, What::ipv6_address, Source::neighbour_discovery, owned->text());
  if (m.kind == wire::Icmpv6Kind::duplicate_detection && m.target) {
    tell(s, What::wanted_ipv6_address, Source::neighbour_discovery, m.target->text());
    // Other addresses come and go while a unit runs; its link-local one is solicited when the link comes up.
    if (is_link_local(*m.target)) start(s, Sign::ipv6_address_probed, m.target->text(), false);
  }
  if (m.kind == wire::Icmpv6Kind::router_advertisement || m.is_router) s.unit->is_network = true;
  constexpr std::size_t most_groups = 8;
  if (m.kind == wire::Icmpv6Kind::listener_report)
    for (std::size_t i = 0; i < std::min(m.groups.size(), most_groups); ++i) tell(s, What::group, Source::listener_report, m.groups[i].text());
}

void UnitTable::hear_mdns(Speaker& s, const wire::DnsMessage& m, const std::optional<wire::IpAddress>& from) {
  if (!m.is_response) return;
  std::vector<const wire::DnsRecord*> records;
  for (const auto* list : {&m.answers, &m.additionals})
    for (const auto& record : *list) records.push_back(&record);
  // A reflector passes on what others say: only records of a host that this frame came from are the sender's own.
  bool names_a_host = false, names_the_sender = false;
  const auto is_of_sender = [&from](const wire::DnsRecord& r) { return r.address && from && *r.address == *from; };
  for (const auto* r : records) {
    names_a_host = names_a_host || r->address;
    names_the_sender = names_the_sender || is_of_sender(*r);
  }
  if (names_a_host && !names_the_sender) return;
  for (const auto* r : records) {
    if (r->ttl_s == 0) continue;
    if (is_of_sender(*r)) tell(s, What::host_name, Source::mdns, without_local(r->name));
    // A service of another host, without that host's address.
    const auto host = r->type == wire::dns_srv ? without_local(r->target) : std::string();
    const bool of_another = !names_the_sender && !host.empty() && s.unit->find(What::host_name) && !has(*s.unit, What::host_name, host);
    const auto service = r->type == wire::dns_srv && !of_another ? service_of(r->name) : std::nullopt;
    if (service) tell(s, What::service, Source::mdns, service->first + " " + std::to_string(r->port) + " " + service->second);
  }
  if (names_the_sender && from) tell(s, from->ipv6 ? What::ipv6_address : What::ipv4_address, Source::mdns, from->text());
}

// Somebody else's frame with what a unit said that is known by its own: from that unit's address, or naming it and not the sender's.
bool UnitTable::is_passed_on(const Sighting& sighting, const wire::WsDiscoveryDevice& device, const Unit& known) const {
  const auto& own = known.hardware_addresses;
  if (own.empty() || !sighting.sent_from || std::find(own.begin(), own.end(), sighting.source) != own.end()) return false;
  const auto from = sighting.sent_from->text();
  if (has(known, What::ipv4_address, from) || has(known, What::ipv6_address, from)) return true;
  const auto& at = device.service_addresses;
  const auto names = [&at](const std::string& address) {
    return std::any_of(at.begin(), at.end(), [&](const std::string& x) { return x.find("//" + address + "/") != std::string::npos || x.find("//" + address + ":") != std::string::npos; });
  };
  return !names(from) && std::any_of(known.facts.begin(), known.facts.end(), [&](const Fact& f) { return f.what == What::ipv4_address && names(f.value); });
}

bool UnitTable::owned_by_another(const wire::IpAddress& address, std::size_t index, SystemTime when) const {
  const auto text = address.text();
  const auto kind = address.ipv6 ? What::ipv6_address : What::ipv4_address;
  for (std::size_t i = 0; i < units_.size(); ++i) {
    const auto& facts = units_[i].facts;
    const auto owns = [&](const Fact& f) { return f.what == kind && when - f.last_heard <= fact_pause && f.value == text; };
    if (i != index && std::any_of(facts.begin(), facts.end(), owns)) return true;
  }
  return false;
}

// A message through a router carries the router's hardware address: then the endpoint alone says who it is.
std::size_t UnitTable::device_of(const Sighting& sighting, const wire::WsDiscoveryDevice& device, Heard& heard) {
  const auto known = by_identity_.find(device.endpoint);
  if (const auto told = wire::decode_mac(device.hardware_address); told && !told->is_group() && !told->is_zero() && !own_.contains(*told))
    return unit_of(*told, sighting.when, heard);
  if (known != by_identity_.end() && is_passed_on(sighting, device, units_[known->second])) return known->second;
  const auto spoken_by = by_hardware_.find(sighting.source);
  const auto* speaker = spoken_by == by_hardware_.end() ? nullptr : &units_[spoken_by->second];
  const auto* other = speaker ? speaker->find(What::endpoint) : nullptr;
  // Several devices of one unit, or one that takes a new name at each start, speak from its address.
  const auto from = sighting.sent_from ? sighting.sent_from->text() : std::string();
  const auto own_kinds = {What::ipv4_address, What::ipv6_address, What::wanted_ipv6_address};
  const bool is_its_own = speaker && std::any_of(own_kinds.begin(), own_kinds.end(), [&](What what) { return has(*speaker, what, from); });
  // No router passes on what comes from a link-local address (RFC 3927 §7, RFC 4291 §2.5.6).
  const bool is_foreign = speaker && sighting.sent_from && !is_its_own && !is_link_local(*sighting.sent_from) &&
                          (speaker->find(sighting.sent_from->ipv6 ? What::ipv6_address : What::ipv4_address) ||
                           owned_by_another(*sighting.sent_from, spoken_by->second, sighting.when));
  const bool by_router = sighting.source.is_zero() || sighting.source.is_group() || (speaker && speaker->is_network) || is_foreign ||
                         (other && !has(*speaker, What::endpoint, device.endpoint) && !is_its_own);
  if (!by_router) return unit_of(sighting.source, sighting.when, heard);
  return known != by_identity_.end() ? known->second : add(sighting.when, heard);
}

std::vector<UnitTable::Heard> UnitTable::hear_devices(const Sighting& sighting, const wire::WsDiscoveryMessage& message, const std::string& interface) {
  if (own_.contains(sighting.source)) return {};
  hearing_.clear();
  for (auto device : message.devices) {
    if (device.endpoint.empty()) continue;
    device.endpoint.resize(std::min(device.endpoint.size(), longest_name));
    Heard heard;
    const auto index = device_of(sighting, device, heard);
    mark(index, sighting, interface);
    Speaker s{&units_[index], &memory_[index], sighting.when, &heard};
    const auto tell_address = [&] {
      const auto& own = units_[index].hardware_addresses;
      const bool is_direct = own.empty() || std::find(own.begin(), own.end(), sighting.source) != own.end();
      if (sighting.sent_from && message.devices.size() == 1 && is_direct)
        tell(s, sighting.sent_from->ipv6 ? What::ipv6_address : What::ipv4_address, Source::ws_discovery, sighting.sent_from->text());
    };
    tell_address();  // it tells whether another with this name is the same unit
    const auto spoken_by = by_hardware_.find(sighting.source);
    bind_identity(index, device.endpoint, spoken_by == by_hardware_.end() ? std::nullopt : std::optional(spoken_by->second));
    tell_address();
    hear_device(s, message, device);
    if (!device.serial.empty()) bind_identity(index, "serial " + device.serial);
    heard.unit = index;
    const auto same = std::find_if(hearing_.begin(), hearing_.end(), [index](const Heard& h) { return h.unit == index; });
    if (same == hearing_.end()) {
      hearing_.push_back(heard);
    } else {
      same->fresh = same->fresh || heard.fresh;
      same->told_new = same->told_new || heard.told_new;
      same->started = same->started || heard.started;
    }
  }
  return std::exchange(hearing_, {});
}

void UnitTable::hear_device(Speaker& s, const wire::WsDiscoveryMessage& message, const wire::WsDiscoveryDevice& d) {
  constexpr auto from = Source::ws_discovery;
  tell(s, What::endpoint, from, d.endpoint);
  tell(s, What::serial, from, d.serial);
  tell(s, What::model, from, d.hardware);
  tell(s, What::given_name, from, d.name);
  tell(s, What::location, from, d.location);
  constexpr std::size_t most = 4;
  for (std::size_t i = 0; i < std::min(d.types.size(), most); ++i) tell(s, What::device_type, from, d.types[i]);
  for (std::size_t i = 0; i < std::min(d.service_addresses.size(), most); ++i) tell(s, What::service_address, from, d.service_addresses[i]);
  if (message.kind == wire::WsDiscoveryKind::bye) s.unit->said_goodbye = true;
  if (!message.instance) return;
  // Told by a greeting alone: some put the time of day into every answer.
  auto& instances = s.memory->instances;
  const auto known = instances.find(d.endpoint);
  const bool rose = known != instances.end() && known->second < *message.instance;
  if (message.kind == wire::WsDiscoveryKind::hello && (rose || known == instances.end())) start(s, Sign::instance_rose, d.endpoint, false);
  if (instances.size() >= most_names && known == instances.end()) instances.clear();
  instances[d.endpoint] = *message.instance;
}

// A switch speaks from each port with an address of its own, and answers with that of its chassis.
void UnitTable::adopt_chassis(std::size_t index, const wire::LldpNeighbour& lldp) {
  constexpr std::uint8_t by_mac = 4;  // IEEE 802.1AB §8.5.2.2
  const auto chassis = lldp.chassis_subtype == by_mac ? wire::decode_mac(lldp.chassis_id) : std::nullopt;
  if (!chassis || chassis->is_zero() || chassis->is_group() || own_.contains(*chassis)) return;
  const auto known = by_hardware_.find(*chassis);
  auto& addresses = units_[index].hardware_addresses;
  if (known == by_hardware_.end()) {
    if (addresses.size() >= most_names) return;
    by_hardware_[*chassis] = index;
    addresses.push_back(*chassis);
  } else if (known->second != index && addresses.size() + units_[known->second].hardware_addresses.size() <= most_names) {
    join(index, known->second);
  }
}

void UnitTable::hear_lldp(Speaker& s, const wire::LldpNeighbour& m) {
  constexpr auto from = Source::lldp;
  if (m.enabled_capabilities.value_or(0) & (bridges | routes)) s.unit->is_network = true;
  tell(s, What::given_name, from, m.system_name);
  tell(s, What::description, from, m.system_description);
  tell(s, What::maker_told, from, m.inventory.manufacturer);
  tell(s, What::model, from, m.inventory.model);
  tell(s, What::hardware_revision, from, m.inventory.hardware);
  tell(s, What::firmware, from, m.inventory.firmware.empty() ? m.inventory.software : m.inventory.firmware);
  if (m.power && !m.power->is_source && m.power->requested_w) {
    char watts[16];
    std::snprintf(watts, sizeof watts, "%.1f", *m.power->requested_w);
    tell(s, What::asked_power_w, from, watts);
  }
  if (!m.management_address.empty())
    tell(s, m.management_address.find(':') == std::string::npos ? What::ipv4_address : What::ipv6_address, from, m.management_address);
  const auto index = static_cast<std::size_t>(s.unit - units_.data());
  adopt_chassis(index, m);
  if (m.inventory.serial.empty()) return;
  tell(s, What::serial, from, m.inventory.serial);
  bind_identity(index, "serial " + m.inventory.serial);
}

void UnitTable::hear_dhcp_server(const Sighting& sighting, const wire::DhcpMessage& m, const std::string& interface) {
  const auto client = by_hardware_.find(m.client);
  if (m.kind == wire::DhcpKind::nak && client != by_hardware_.end()) memory_[client->second].is_served = false;
  // A client names the server that it chose; one that releases or declines may mean a server of another network.
  if (!m.server || (m.from_client && m.kind != wire::DhcpKind::request)) return;
  auto* one = server(wire::text_of(*m.server), sighting, interface);
  if (m.from_client) return;
  one->through_relay = m.relay_address.has_value();
  if (!m.relay_address) one->hardware_address = sighting.source.text();
  if (m.subnet_mask) one->subnet_mask = wire::text_of(*m.subnet_mask);
  if (m.kind != wire::DhcpKind::ack || !m.your_address || client == by_hardware_.end()) return;
  memory_[client->second].is_served = memory_[client->second].was_ever_served = true;
  Heard unheard;
  Speaker s{&units_[client->second], &memory_[client->second], sighting.when, &unheard};
  tell(s, What::ipv4_address, Source::dhcp, wire::text_of(*m.your_address));
}

}  // namespace tallywire::arrivals
