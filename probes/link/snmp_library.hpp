// Net-SNMP's library as one thing that threads share: its lock, its users, its errors as faults. For snmp_session only.
#pragma once

#include "probes/fault.hpp"
#include "probes/link/snmp_session.hpp"

#include <net-snmp/net-snmp-config.h>
#include <net-snmp/net-snmp-includes.h>

#include <mutex>
#include <string>

namespace tallywire::link {

// The library keeps the users, keys and engine times of v3, and its request numbers, in tables of the process. Whoever
// calls it holds this lock: for as long as a message is made or taken apart, never while one is waited for. The first
// call starts the library, without MIB and configuration files.
std::mutex& snmp_library();

// A user that a session left in the library's table would lend its keys to the next one of the same name: the library
// never replaces the keys it has. So the table is empty whenever nobody holds the lock. The newest user, or null:
usmUser* take_user();
void forget_users();

// Keys from the passwords. False when they cannot be made: shorter than 8 characters. Takes some milliseconds and needs
// no lock. `session` points into `access` afterwards.
bool set_user(netsnmp_session& session, const SwitchAccess& access);

Fault no_answer(const std::string& where);
Fault too_slow(const std::string& where);
// What the library's error means for a person.
Fault fault_of_library(int code, const std::string& where);
// The agent's own error-status (RFC 3416 §3).
Fault fault_of_status(long status, const std::string& where);

}  // namespace tallywire::link
