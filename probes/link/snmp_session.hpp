// SNMP v2c and v3 by Net-SNMP's single-session calls: numeric OIDs, no MIB files, no configuration files.
// Blocks: call it on a pool thread. One object belongs to one thread at a time.
#pragma once

#include "probes/fault.hpp"

#include <chrono>
#include <cstdint>
#include <memory>
#include <string>
#include <vector>

namespace tallywire::link {

using Oid = std::vector<std::uint32_t>;

struct SwitchAccess {
  std::string address;              // numeric
  std::uint16_t udp_port = 161;
  std::string community;            // v2c when it is set; else v3 authPriv:
  std::string user;
  std::string auth_protocol = "SHA";     // "MD5", "SHA", "SHA-256", "SHA-512"
  std::string auth_password;
  std::string privacy_protocol = "AES";  // "DES", "AES"
  std::string privacy_password;
};

struct SnmpValue {
  Oid index;                        // what follows the OID that was asked for
  std::uint64_t number = 0;         // of integers, counters, gauges, time ticks
  std::string octets;               // of octet strings and addresses
};

class SnmpSession {
 public:
  // `limit` bounds the whole life of the session: what is asked after it answers timed_out.
  static Outcome<std::unique_ptr<SnmpSession>> open(const SwitchAccess& access, std::chrono::milliseconds limit);
  ~SnmpSession();
  SnmpSession(const SnmpSession&) = delete;
  SnmpSession& operator=(const SnmpSession&) = delete;

  // One value. Kind unsupported when the agent has no such object.
  Outcome<SnmpValue> get(const Oid& oid);
  // A column or table in bulk. A table whose OIDs do not go up, or that never ends, is cut off with a Fault of
  // kind malformed, and so does an agent's error-status; a table that is not there is empty.
  static constexpr std::size_t most_values = 20'000;
  Outcome<std::vector<SnmpValue>> walk(const Oid& column);

 private:
  SnmpSession(void* handle, void* user, std::string where, std::chrono::steady_clock::time_point end)
      : handle_(handle), user_(user), where_(std::move(where)), end_(end) {}
  struct Answer;
  Outcome<Answer> exchange(int command, const Oid& oid);

  void* handle_;
  void* user_;                      // v3: a usmUser, in the library's table only while this session exchanges
  std::string where_;
  std::chrono::steady_clock::time_point end_;
};

}  // namespace tallywire::link
