// Tables of a switch as rows, and the parts of a report that are made of them. For switch_reader only.
#pragma once

#include "probes/link/switch_reader.hpp"

#include <initializer_list>

namespace tallywire::link {

// A row by its columns; what the agent does not have is not in it.
class TableRow {
 public:
  std::map<std::uint32_t, SnmpValue> columns;

  const SnmpValue* find(std::uint32_t column) const {
    const auto at = columns.find(column);
    return at == columns.end() ? nullptr : &at->second;
  }
  std::optional<std::uint64_t> number(std::uint32_t column) const {
    const auto* v = find(column);
    return v ? std::optional(v->number) : std::nullopt;
  }
  // Printable; empty when it is not there.
  std::string text(std::uint32_t column) const;
};

using Table = std::map<Oid, TableRow>;

class SwitchTables {
 public:
  SwitchTables(SnmpSession& asked, SwitchReport& out) : session(asked), report(out) {}

  // Finds out by one message which of these tables the switch has; those it lacks are not walked later.
  void look_for(const std::vector<Oid>& entries);
  // Columns of a table of about `rows` rows (0: not known). Empty when it is not there; then, with a reason, and when a
  // column fails, `unread` says so under `key`.
  Table read(const Oid& entry, std::initializer_list<std::uint32_t> columns, std::size_t rows, const char* key,
             const char* when_missing);

  SwitchPort* port(std::uint32_t index);  // by ifIndex; null when there is none
  // ifIndex of a bridge port (dot1dBasePort), or none.
  std::optional<std::uint32_t> interface_of(std::uint32_t bridge_port) const;

  SnmpSession& session;
  SwitchReport& report;
  std::map<std::uint32_t, std::uint32_t> bridge_ports;  // dot1dBasePort -> ifIndex

 private:
  std::map<Oid, bool> there_;
  std::map<std::uint32_t, std::size_t> ports_;  // ifIndex -> place
};

// Entities of ENTITY-MIB that are needed beyond the report.
struct Entity {
  std::uint32_t index = 0, contained_in = 0, physical_class = 0, position = 0;
  std::optional<std::uint32_t> interface;  // ifIndex, by entAliasMappingTable
};

void read_interfaces(SwitchTables& tables, std::size_t count);   // IF-MIB, EtherLike-MIB, MAU-MIB
void read_addresses(SwitchTables& tables);                       // BRIDGE-MIB, Q-BRIDGE-MIB
void read_neighbours(SwitchTables& tables);                      // LLDP-MIB and its 802.3 extension
std::vector<Entity> read_entities(SwitchTables& tables);         // ENTITY-MIB
void read_power(SwitchTables& tables, const std::vector<Entity>& entities);  // POWER-ETHERNET-MIB

// The tables that look_for is asked for: one of each part.
std::vector<Oid> tables_of_a_switch();

// Which interface each power port (group, port) belongs to, and by which rule; `rule` is empty when no rule takes them
// all. The rules are tried in this order; RFC 3621 lays down none.
struct PowerMap {
  std::map<std::pair<std::uint32_t, std::uint32_t>, std::uint32_t> interface_of;
  std::string rule;
};
PowerMap map_power_ports(const std::vector<std::pair<std::uint32_t, std::uint32_t>>& power_ports,
                         const std::vector<SwitchPort>& ports, const std::map<std::uint32_t, std::uint32_t>& bridge_ports,
                         const std::vector<Entity>& entities);

}  // namespace tallywire::link
