// decode_lldp (IEEE 802.1AB, 802.3 clause 79, 802.1Q Annex D, ANSI/TIA-1057).
#include "probes/wire/lldp.hpp"
#include "tests/fuzz/texts.hpp"

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

namespace {

void check_power(const LldpPower& power) {
  if (power.power_class) require(*power.power_class <= 4, "the class is that on the wire less 1");
  if (power.priority) require(*power.priority <= 3 && *power.source <= 3, "two bits");
  const auto holds = power.class_in_force();
  require(!holds || *holds <= 8, "classes 0 to 8");
  require(power.extension.has_value() == power.maximum_w.has_value(), "29 octets tell all");
  if (power.requested_w) require(*power.requested_w >= 0 && *power.requested_w <= 6553.5, "16 bits of 0.1 W");
  fuzz::check_text(power.meaning(), 64);
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const auto found = decode_lldp({data, size});
  if (!found) return 0;
  require(!found->chassis_id.empty() && !found->port_id.empty(), "a neighbour has a name");
  for (const auto* text : {&found->chassis_id, &found->port_id, &found->port_description, &found->system_name,
                           &found->system_description, &found->management_address, &found->inventory.hardware,
                           &found->inventory.firmware, &found->inventory.software, &found->inventory.serial,
                           &found->inventory.manufacturer, &found->inventory.model, &found->inventory.asset})
    fuzz::check_text(*text, size);
  require(found->management.size() <= 16 && found->vlans.size() <= 128, "no more than the limits");
  for (const auto& one : found->management) fuzz::check_text(one.address, 256);
  for (const auto& vlan : found->vlans) fuzz::check_text(vlan.name, 255);
  if (found->power) check_power(*found->power);
  // The end TLV ends it (IEEE 802.1AB §8.5.1); a frame's padding follows.
  std::vector<std::uint8_t> ended(data, data + size);
  ended.insert(ended.end(), {0, 0, 0xff, 0xff, 0xff});
  require(decode_lldp(ended) == found, "nothing is read past the end");
  return 0;
}
