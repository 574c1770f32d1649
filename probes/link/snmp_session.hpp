// SNMP v2c and v3 by Net-SNMP's single-session calls: numeric OIDs, no MIB files, no configuration files.
// Blocks: call it on a pool thread. One object belongs to one thread at a time; many may work side by side.
#pragma once

#include "probes/fault.hpp"

#include <chrono>
#include <cstdint>
#include <memory>
#include <optional>
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
  Oid oid;                          // of object identifiers
};

using SnmpColumn = Outcome<std::vector<SnmpValue>>;

class SnmpSession {
 public:
  // `limit` bounds the whole life of the session: what is asked after it answers timed_out.
  static Outcome<std::unique_ptr<SnmpSession>> open(const SwitchAccess& access, std::chrono::milliseconds limit);
  ~SnmpSession();
  SnmpSession(const SnmpSession&) = delete;
  SnmpSession& operator=(const SnmpSession&) = delete;

  // One value. Kind unsupported when the agent has no such object.
  Outcome<SnmpValue> get(const Oid& oid);
  // Several values by one message; none where the agent has no such object.
  Outcome<std::vector<std::optional<SnmpValue>>> get(const std::vector<Oid>& oids);
  // Whether anything stands under each of these, by one message.
  Outcome<std::vector<bool>> holds(const std::vector<Oid>& subtrees);
  // Columns of one table side by side: each GETBULK asks for all that have not ended, by as many rows as the agent
  // fits into an answer. A column whose OIDs do not go up, or that never ends, is cut off with a Fault of kind malformed;
  // an agent's error-status is the Fault of its column alone; a column that is not there is empty.
  static constexpr std::size_t most_values = 20'000;  // of one column
  // With `rows`, how many are expected: no more are asked for than that, until they turn out to be more.
  std::vector<SnmpColumn> walk(const std::vector<Oid>& columns, std::size_t rows = 0);
  SnmpColumn walk(const Oid& column);

  // Messages sent so far.
  std::size_t exchanges() const { return exchanges_; }

 private:
  struct Answer;
  struct Waiting;
  struct Cursor;
  SnmpSession(void* handle, std::string where, std::chrono::steady_clock::time_point end);
  Outcome<void> find_engine();
  void* probe() const;
  // Null when the time of one try passed without an answer. `request` is the library's from then on.
  Outcome<Answer> try_once(void* request);
  Outcome<Answer> exchange(int command, const std::vector<Oid>& asked, long* repetitions);
  bool answers_unencrypted();
  void advance(std::vector<Cursor*> active, std::size_t rows);

  void* handle_;
  void* user_ = nullptr;            // v3: a usmUser, in the library's table only while this session talks to it
  std::string where_;
  std::chrono::steady_clock::time_point end_;
  std::vector<std::unique_ptr<Waiting>> abandoned_;  // the library may still know them
  std::size_t values_ = 240;        // how many to ask for in one message
  std::size_t exchanges_ = 0;
  bool heard_ = false;              // an answer came since the session was opened
};

}  // namespace tallywire::link
