#include "probes/link/cable_test.hpp"

#include "probes/link/netlink.hpp"

#include <linux/ethtool_netlink.h>
#include <net/if.h>
#include <nlohmann/json.hpp>

#include <algorithm>

namespace tallywire::link {
namespace {

constexpr auto longest_test = std::chrono::seconds(15);
constexpr auto between_looks_at_stop = std::chrono::milliseconds(100);
constexpr const char* wires_of[] = {"1-2", "3-6", "4-5", "7-8"};  // without a crossover; common practice

CablePair* pair_of(std::span<const std::uint8_t> number, CableReport& out) {
  const auto n = u8_of(number);
  if (number.empty() || n >= std::size(wires_of)) return nullptr;
  const char letter = static_cast<char>('A' + n);
  auto at = std::find_if(out.pairs.begin(), out.pairs.end(), [letter](const CablePair& p) { return p.pair == letter; });
  if (at == out.pairs.end()) at = out.pairs.insert(at, {letter, wires_of[n], "unknown", std::nullopt});
  return &*at;
}

const char* result_name(std::uint8_t code) {
  switch (code) {
    case ETHTOOL_A_CABLE_RESULT_CODE_OK: return "whole";
    case ETHTOOL_A_CABLE_RESULT_CODE_OPEN: return "open";
    case ETHTOOL_A_CABLE_RESULT_CODE_SAME_SHORT: return "shorted in itself";
    case ETHTOOL_A_CABLE_RESULT_CODE_CROSS_SHORT: return "shorted to another pair";
    default: return "unknown";
  }
}

bool is_of(const EthtoolNetlink::Listed& attributes, const std::string& interface) {
  for (const auto& [type, value] : attributes)
    if (type == ETHTOOL_A_CABLE_TEST_NTF_HEADER) {
      const auto fields = read_attributes(value);
      const auto name = fields.find(ETHTOOL_A_HEADER_DEV_NAME);
      return name != fields.end() && text_of(name->second) == interface;
    }
  return false;
}

}  // namespace

bool take_cable_notification(const EthtoolNetlink::Listed& attributes, CableReport& out) {
  bool ended = false;
  for (const auto& [type, value] : attributes) {
    if (type == ETHTOOL_A_CABLE_TEST_NTF_STATUS) ended = u8_of(value) == ETHTOOL_A_CABLE_TEST_NTF_STATUS_COMPLETED;
    if (type != ETHTOOL_A_CABLE_TEST_NTF_NEST) continue;
    for (const auto& [kind, nest] : list_attributes(value)) {
      const auto fields = read_attributes(nest);
      const auto find = [&](std::uint16_t number) {
        const auto at = fields.find(number);
        return at == fields.end() ? std::span<const std::uint8_t>() : at->second;
      };
      if (kind == ETHTOOL_A_CABLE_NEST_RESULT)
        if (auto* pair = pair_of(find(ETHTOOL_A_CABLE_RESULT_PAIR), out)) pair->result = result_name(u8_of(find(ETHTOOL_A_CABLE_RESULT_CODE)));
      if (kind == ETHTOOL_A_CABLE_NEST_FAULT_LENGTH)
        if (auto* pair = pair_of(find(ETHTOOL_A_CABLE_FAULT_LENGTH_PAIR), out); pair && find(ETHTOOL_A_CABLE_FAULT_LENGTH_CM).size() >= 4)
          pair->distance_m = u32_of(find(ETHTOOL_A_CABLE_FAULT_LENGTH_CM)) / 100.0;
    }
  }
  return ended;
}

Outcome<CableReport> test_cable(const std::string& interface, const std::atomic<bool>& stop) {
  if (interface.empty() || interface.size() >= IFNAMSIZ)
    return Fault{FaultKind::bad_request, "this machine has no interface “" + interface + "”", interface, "see the names with `tallywire link`"};
  EthtoolNetlink netlink;
  if (auto opened = netlink.open(); !opened) return opened.error();
  if (auto heard = netlink.listen(); !heard) return heard.error();
  if (auto begun = netlink.order(ETHTOOL_MSG_CABLE_TEST_ACT, interface); !begun) {
    auto fault = begun.error();
    if (fault.kind == FaultKind::unsupported) fault.what = "this port's hardware or driver has no cable test";
    if (fault.kind == FaultKind::refused) {
      fault.what = "the cable test is not permitted to this process";
      fault.try_next = "run it as root with --alone";
    }
    return fault;
  }
  CableReport out;
  const auto end = std::chrono::steady_clock::now() + longest_test;
  while (std::chrono::steady_clock::now() < end) {
    if (stop.load()) return Fault{FaultKind::cancelled, "the cable test was stopped before its result came", interface, ""};
    auto told = netlink.next(ETHTOOL_MSG_CABLE_TEST_NTF, between_looks_at_stop);
    if (!told) return told.error();
    if (*told && is_of(**told, interface) && take_cable_notification(**told, out)) return out;
  }
  return Fault{FaultKind::timed_out, "the cable test began and told no result", interface, "try once more with the cable plugged in at this end"};
}

void to_json(nlohmann::json& out, const CablePair& p) {
  out = {{"pair", std::string(1, p.pair)}, {"wires", p.wires}, {"result", p.result}, {"distance_m", nullptr}};
  if (p.distance_m) out["distance_m"] = *p.distance_m;
}

}  // namespace tallywire::link
