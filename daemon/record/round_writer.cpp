#include "daemon/record/round_writer.hpp"

namespace tallywire::record {

Outcome<void> write_parts(Connection& connection, std::int64_t round, const std::vector<RoundPart>& parts) {
  auto done = Statement(connection.database, connection.where, "DELETE FROM round_parts WHERE round = ?").bind(round).run();
  Statement insert(connection.database, connection.where, "INSERT INTO round_parts (round, part, bytes, text) VALUES (?, ?, ?, ?)");
  for (std::size_t i = 0; i < parts.size() && done; ++i) {
    const auto& part = parts[i];
    done = insert.bind(round).bind(part.name).bind(static_cast<std::int64_t>(part.bytes)).bind_octets(part.packed).run();
    insert.reset();
  }
  return done;
}

Outcome<void> write_units(Connection& connection, std::int64_t round, const std::map<std::string, UnitOutcome>& units) {
  Statement insert(connection.database, connection.where, "INSERT OR REPLACE INTO unit_rounds VALUES (?, ?, ?, ?, ?, ?, ?)");
  for (const auto& [camera, unit] : units) {
    auto subject = connection.names.number_of("camera/" + camera);
    if (!subject) return subject.error();
    auto presence = connection.names.number_of(unit.presence);
    if (!presence) return presence.error();
    insert.bind(*subject).bind(round).bind(*presence);
    for (const int count : {unit.met, unit.tight, unit.missed, unit.unread}) insert.bind(std::int64_t{count});
    if (auto done = insert.run(); !done) return done.error();
    insert.reset();
  }
  return {};
}

}  // namespace tallywire::record
