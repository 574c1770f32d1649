// What snmp_session.cpp and snmp_walk.cpp share.
#pragma once

#include "probes/link/snmp_library.hpp"

namespace tallywire::link {

// What came back, freed with it; empty when nothing came in the time of one try.
struct SnmpSession::Answer {
  std::unique_ptr<netsnmp_pdu, void (*)(netsnmp_pdu*)> pdu{nullptr, snmp_free_pdu};
};

SnmpValue value_of(const netsnmp_variable_list& variable);

}  // namespace tallywire::link
