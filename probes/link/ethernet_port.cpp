#include "probes/link/ethernet_port.hpp"

#include "probes/link/mau.hpp"
#include "probes/link/netlink.hpp"

#include <linux/ethtool.h>
#include <linux/ethtool_netlink.h>
#include <linux/netlink.h>
#include <net/if.h>
#include <net/if_arp.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <type_traits>

namespace tallywire::link {
namespace {

namespace fs = std::filesystem;

std::optional<std::string> sysfs(const std::string& interface, const std::string& name) {
  std::ifstream in("/sys/class/net/" + interface + "/" + name);
  std::string text;
  if (!std::getline(in, text)) return std::nullopt;
  return text;
}

// A bitset of link modes: those that are offered, by the kernel's names (ETHTOOL_A_BITSET_BITS), or by
// number where the compact form came.
std::vector<std::string> modes_of(std::span<const std::uint8_t> bitset) {
  std::vector<std::string> out;
  const auto fields = read_attributes(bitset);
  const auto bits = fields.find(ETHTOOL_A_BITSET_BITS);
  if (bits == fields.end()) return out;
  const bool no_mask = fields.contains(ETHTOOL_A_BITSET_NOMASK);
  for (const auto& [type, bit] : list_attributes(bits->second)) {
    const auto one = read_attributes(bit);
    const auto name = one.find(ETHTOOL_A_BITSET_BIT_NAME);
    if (name != one.end() && (no_mask || one.contains(ETHTOOL_A_BITSET_BIT_VALUE)))
      out.push_back(text_of(name->second));
  }
  return out;
}

void read_modes(EthtoolNetlink& netlink, PortReport& out) {
  const auto answer = netlink.ask(ETHTOOL_MSG_LINKMODES_GET, out.interface);
  if (!answer) {
    for (const char* field : {"link_speed_bps", "duplex", "negotiation"}) out.unread[field] = answer.error().what;
    return;
  }
  const auto find = [&](std::uint16_t type) {
    const auto at = answer->find(type);
    return at == answer->end() ? std::span<const std::uint8_t>() : at->second;
  };
  const auto speed_mbps = u32_of(find(ETHTOOL_A_LINKMODES_SPEED));
  if (speed_mbps != 0 && speed_mbps != static_cast<std::uint32_t>(SPEED_UNKNOWN))
    out.link_speed_bps = std::uint64_t{speed_mbps} * 1'000'000;
  else
    out.unread["link_speed_bps"] = "the driver knows no speed while there is no link";
  const auto duplex = find(ETHTOOL_A_LINKMODES_DUPLEX);
  if (!duplex.empty() && (duplex[0] == DUPLEX_FULL || duplex[0] == DUPLEX_HALF))
    out.duplex = duplex[0] == DUPLEX_FULL ? "full" : "half";
  else
    out.unread["duplex"] = "the driver knows no duplex while there is no link";
  const auto negotiation = find(ETHTOOL_A_LINKMODES_AUTONEG);
  if (!negotiation.empty())
    out.negotiation = negotiation[0] == AUTONEG_ENABLE ? "on" : "off";
  else
    out.unread["negotiation"] = "the driver does not tell";
  out.own_modes = modes_of(find(ETHTOOL_A_LINKMODES_OURS));
  out.peer_modes = modes_of(find(ETHTOOL_A_LINKMODES_PEER));
  if (out.peer_modes.empty())
    out.unread["peer_modes"] = "the other end's offer is not told";
  else
    out.peer_modes_source = "ethtool netlink";
  out.offered_speed_bps = fastest_common_bps(out.own_modes, out.peer_modes);
}

// What the driver counts itself goes before what the kernel sums up, which drivers fill in as they like.
void read_counters(EthtoolNetlink& netlink, PortReport& out) {
  for (const char* name : {"rx_bytes", "tx_bytes", "rx_packets", "tx_packets", "rx_errors", "tx_errors", "rx_dropped",
                           "tx_dropped", "collisions"})
    if (const auto value = sysfs(out.interface, std::string("statistics/") + name)) {
      out.counters[name] = std::strtoull(value->c_str(), nullptr, 10);
      out.counter_sources[name] = "kernel";
    }
  std::vector<std::uint8_t> groups;
  const std::uint32_t size = __ETHTOOL_STATS_CNT, wanted = 1u << ETHTOOL_STATS_ETH_PHY | 1u << ETHTOOL_STATS_ETH_MAC;
  put_attribute(groups, ETHTOOL_A_BITSET_NOMASK, nullptr, 0);
  put_attribute(groups, ETHTOOL_A_BITSET_SIZE, &size, sizeof size);
  put_attribute(groups, ETHTOOL_A_BITSET_VALUE, &wanted, sizeof wanted);
  std::vector<std::uint8_t> more;
  put_attribute(more, ETHTOOL_A_STATS_GROUPS | NLA_F_NESTED, groups.data(), groups.size());
  if (const auto answer = netlink.ask_list(ETHTOOL_MSG_STATS_GET, out.interface, more))
    for (const auto& [name, counted] : driver_counters(*answer)) {
      out.counters[name] = counted.second;
      out.counter_sources[name] = "driver (" + counted.first + ")";
    }
  // Linux Documentation/networking/statistics: these are the standard's counters by other names.
  static constexpr std::pair<const char*, const char*> same[] = {
      {"fcs_errors", "rx_crc_errors"}, {"alignment_errors", "rx_frame_errors"}, {"late_collisions", "tx_window_errors"}};
  for (const auto& [name, file] : same) {
    const auto value = out.counters.contains(name) ? std::nullopt : sysfs(out.interface, std::string("statistics/") + file);
    if (!value) continue;
    out.counters[name] = std::strtoull(value->c_str(), nullptr, 10);
    out.counter_sources[name] = std::string("kernel (") + file + ")";
  }
}

void read_state(EthtoolNetlink& netlink, PortReport& out) {
  const auto answer = netlink.ask(ETHTOOL_MSG_LINKSTATE_GET, out.interface);
  const auto at = answer ? answer->find(ETHTOOL_A_LINKSTATE_LINK) : Attributes::const_iterator();
  if (!answer || at == answer->end())
    out.unread["link_state"] = answer ? "the driver does not tell" : answer.error().what;
  else
    out.link_state = u8_of(at->second) ? "up" : "down";
}

void read_sysfs(PortReport& out) {
  out.hardware_address = sysfs(out.interface, "address");
  if (!out.hardware_address) out.unread["hardware_address"] = "the kernel does not tell";
  const auto mtu = sysfs(out.interface, "mtu");
  if (mtu)
    out.mtu_bytes = std::strtoull(mtu->c_str(), nullptr, 10);
  else
    out.unread["mtu_bytes"] = "the kernel does not tell";
  const auto downs = sysfs(out.interface, "carrier_down_count");
  if (downs)
    out.link_downs = std::strtoull(downs->c_str(), nullptr, 10);
  else
    out.unread["link_downs"] = "the kernel does not tell";
}

}  // namespace

std::map<std::string, std::pair<std::string, std::uint64_t>> driver_counters(const EthtoolNetlink::Listed& attributes) {
  struct Named {
    std::uint32_t group;
    std::uint16_t number;
    const char *name, *group_name;
  };
  static constexpr Named known[] = {
      {ETHTOOL_STATS_ETH_PHY, ETHTOOL_A_STATS_ETH_PHY_5_SYM_ERR, "symbol_errors", "eth-phy"},
      {ETHTOOL_STATS_ETH_MAC, ETHTOOL_A_STATS_ETH_MAC_6_FCS_ERR, "fcs_errors", "eth-mac"},
      {ETHTOOL_STATS_ETH_MAC, ETHTOOL_A_STATS_ETH_MAC_7_ALIGN_ERR, "alignment_errors", "eth-mac"},
      {ETHTOOL_STATS_ETH_MAC, ETHTOOL_A_STATS_ETH_MAC_10_LATE_COL, "late_collisions", "eth-mac"},
      {ETHTOOL_STATS_ETH_MAC, ETHTOOL_A_STATS_ETH_MAC_11_XS_COL, "excessive_collisions", "eth-mac"},
      {ETHTOOL_STATS_ETH_MAC, ETHTOOL_A_STATS_ETH_MAC_13_CS_ERR, "carrier_sense_errors", "eth-mac"},
      {ETHTOOL_STATS_ETH_MAC, ETHTOOL_A_STATS_ETH_MAC_25_TOO_LONG_ERR, "too_long_frames", "eth-mac"},
  };
  std::map<std::string, std::pair<std::string, std::uint64_t>> out;
  for (const auto& [type, group] : attributes) {
    if (type != ETHTOOL_A_STATS_GRP) continue;
    const auto fields = read_attributes(group);
    const auto id = fields.find(ETHTOOL_A_STATS_GRP_ID);
    if (id == fields.end()) continue;
    for (const auto& [inner, nest] : list_attributes(group)) {
      if (inner != ETHTOOL_A_STATS_GRP_STAT) continue;
      for (const auto& [number, value] : list_attributes(nest))
        for (const auto& k : known)
          if (k.group == u32_of(id->second) && k.number == number && value.size() >= 8) out[k.name] = {k.group_name, u64_of(value)};
    }
  }
  return out;
}

std::vector<std::string> list_ports() {
  std::vector<std::string> out;
  std::error_code code;
  for (const auto& entry : fs::directory_iterator("/sys/class/net", code)) {
    const auto name = entry.path().filename().string();
    const auto type = sysfs(name, "type");
    if (type && *type == std::to_string(ARPHRD_ETHER)) out.push_back(name);
  }
  std::sort(out.begin(), out.end());
  return out;
}

void take_neighbours_offer(PortReport& port, const std::vector<std::string>& modes) {
  if (!port.peer_modes.empty() || modes.empty()) return;
  port.peer_modes = modes;
  port.peer_modes_source = "LLDP";
  port.unread.erase("peer_modes");
  port.offered_speed_bps = fastest_common_bps(port.own_modes, port.peer_modes);
}

Outcome<PortReport> read_port(const std::string& interface) {
  if (interface.empty() || interface.size() >= IFNAMSIZ || interface.find('/') != std::string::npos ||
      if_nametoindex(interface.c_str()) == 0)
    return Fault{FaultKind::bad_request, "this machine has no interface “" + interface + "”", interface,
                 "see the names with `tallywire link`"};
  EthtoolNetlink netlink;
  if (auto opened = netlink.open(); !opened) return opened.error();
  PortReport out;
  out.interface = interface;
  read_state(netlink, out);
  read_modes(netlink, out);
  read_sysfs(out);
  read_counters(netlink, out);
  out.when = now_utc();
  return out;
}

std::vector<Reading> to_readings(const PortReport& r, const std::string& subject, const PortReport* earlier) {
  std::vector<Reading> out;
  const auto reason = [&](const char* field) {
    const auto at = r.unread.find(field);
    return at == r.unread.end() ? std::string("the driver does not tell") : at->second;
  };
  const auto tell = [&](const char* quantity, const auto& value, const char* field) {
    if (!value)
      out.push_back(unread(subject, quantity, reason(field), r.when));
    else if constexpr (std::is_arithmetic_v<std::remove_cvref_t<decltype(*value)>>)
      out.push_back(read_number(subject, quantity, static_cast<double>(*value), "ethtool netlink", r.when));
    else
      out.push_back(read_word(subject, quantity, *value, "ethtool netlink", r.when));
  };
  tell("link_speed_bps", r.link_speed_bps, "link_speed_bps");
  tell("duplex", r.duplex, "duplex");
  tell("negotiation", r.negotiation, "negotiation");
  tell("offered_speed_bps", r.offered_speed_bps, "peer_modes");
  if (out.back().is_read()) out.back().method = r.peer_modes_source;
  if (!earlier) return out;
  for (const auto& [name, value] : r.counters) {
    const auto then = earlier->counters.find(name);
    if (then == earlier->counters.end() || value < then->second) continue;
    const auto quantity = name == "rx_packets" ? std::string("new_in_packets") : "new_" + name;
    out.push_back(read_number(subject, quantity, static_cast<double>(value - then->second), r.counter_sources.at(name), r.when, r.when - earlier->when));
  }
  return out;
}

void to_json(nlohmann::json& out, const PortReport& r) {
  out = {{"interface", r.interface}, {"own_modes", r.own_modes}, {"peer_modes", r.peer_modes},
         {"peer_modes_source", r.peer_modes_source.empty() ? nlohmann::json() : nlohmann::json(r.peer_modes_source)}, {"counters", r.counters},
         {"counter_sources", r.counter_sources}, {"unread", r.unread}};
  const auto put = [&out](const char* key, const auto& value) {
    out[key] = value ? nlohmann::json(*value) : nlohmann::json();
  };
  put("hardware_address", r.hardware_address);
  put("link_state", r.link_state);
  put("link_speed_bps", r.link_speed_bps);
  put("offered_speed_bps", r.offered_speed_bps);
  put("duplex", r.duplex);
  put("negotiation", r.negotiation);
  put("mtu_bytes", r.mtu_bytes);
  put("link_downs", r.link_downs);
}

}  // namespace tallywire::link
