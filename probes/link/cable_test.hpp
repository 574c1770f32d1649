// The cable test of this machine's port, where its hardware has one (ETHTOOL_MSG_CABLE_TEST_ACT). It takes the link down for
// some seconds: only a person may ask for it. Needs CAP_NET_ADMIN.
#pragma once

#include "probes/fault.hpp"

#include <nlohmann/json_fwd.hpp>

#include <atomic>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <vector>

namespace tallywire::link {

struct CablePair {
  char pair = 'A';                   // 'A' to 'D'
  const char* wires = "";            // "1-2", "3-6", "4-5", "7-8"
  std::string result;                // "whole", "open", "shorted in itself", "shorted to another pair", "unknown"
  std::optional<double> distance_m;  // to the fault, where the hardware tells
};

struct CableReport {
  std::vector<CablePair> pairs;      // those that the hardware told of
};

// What one notification says (ETHTOOL_MSG_CABLE_TEST_NTF): its pairs go into `out`. True when it ends the test. Pure.
bool take_cable_notification(const std::vector<std::pair<std::uint16_t, std::span<const std::uint8_t>>>& attributes, CableReport& out);

// Blocks until the test ends, at most some 15 s, or until `stop` is set. Kind unsupported: the hardware has none; refused:
// this process may not.
Outcome<CableReport> test_cable(const std::string& interface, const std::atomic<bool>& stop);

void to_json(nlohmann::json& out, const CablePair& pair);

}  // namespace tallywire::link
