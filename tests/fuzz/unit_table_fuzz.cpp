// UnitTable: frames, each behind two octets of length, leave a table within its limits whose indexes agree with its units.
#include "probes/arrivals/unit_table.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <set>

using namespace tallywire;
using namespace tallywire::arrivals;
using fuzz::require;

namespace {

void check(const UnitTable& table) {
  require(table.units().size() <= UnitTable::most_units, "no more units than the limit");
  require(table.dhcp_servers().size() <= UnitTable::most_servers, "no more servers than the limit");
  std::set<std::uint64_t> numbers;
  for (const auto& unit : table.units()) {
    if (unit.number == 0) {
      require(unit.hardware_addresses.empty() && unit.facts.empty(), "a place that was left is empty");
      continue;
    }
    require(numbers.insert(unit.number).second, "each number once");
    require(unit.facts.size() <= UnitTable::most_facts, "no more facts than the limit");
    require(unit.hardware_addresses.size() <= UnitTable::most_names, "no more hardware addresses than the limit");
    for (const auto& address : unit.hardware_addresses) require(table.find(address) == &unit, "a hardware address leads to its unit");
    for (const auto& fact : unit.facts) {
      require(!fact.value.empty() && fact.value.size() <= UnitTable::longest_name, "a fact is neither empty nor longer than the limit");
      require(fact.first_heard <= fact.last_heard, "nothing was heard last before it was heard first");
    }
  }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  fuzz::Cutter cutter(data, size);
  SightingReader reader;
  UnitTable table(nullptr, {});
  for (SystemTime when{}; !cutter.empty(); when += std::chrono::minutes(1)) {
    const auto frame = cutter.take(static_cast<std::size_t>(cutter.number(2)));
    const auto sighting = reader.add(frame, wire::LinkLayer::ethernet, when);
    if (!sighting) continue;
    std::set<std::size_t> told;
    for (const auto& heard : table.hear(*sighting, "eth0")) {
      require(heard.unit < table.units().size() && table.units()[heard.unit].number != 0, "who was heard is there");
      require(told.insert(heard.unit).second, "each unit of a message is told once");
    }
    check(table);
  }
  return 0;
}
