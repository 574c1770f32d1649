// The TLVs of IEEE 802.1, IEEE 802.3 and TIA.
#include "probes/wire/lldp.hpp"
#include "probes/wire/printable.hpp"

namespace tallywire::wire {
namespace {

constexpr std::uint32_t ieee_802_1 = 0x0080c2, ieee_802_3 = 0x00120f, tia = 0x0012bb;
constexpr std::size_t most_vlans = 128;

std::optional<LldpMacPhy> read_mac_phy(OctetReader in) {
  LldpMacPhy out;
  const auto status = in.u8();
  out.negotiation_supported = status & 1;
  out.negotiation_enabled = status & 2;
  out.advertised = in.u16();
  out.mau_type = in.u16();
  return in.ok() ? std::optional(out) : std::nullopt;
}

double watts(std::uint16_t tenths) { return tenths / 10.0; }

// §79.3.2.6 on: four powers of each mode, then a word of status, in which the fields stand from the left.
void read_power_extension(OctetReader in, LldpPower& out) {
  auto& more = out.extension.emplace();
  more.requested_a_w = watts(in.u16());
  more.requested_b_w = watts(in.u16());
  more.allocated_a_w = watts(in.u16());
  more.allocated_b_w = watts(in.u16());
  const auto status = in.u16();
  const auto bits = [&](int shift, unsigned mask) { return static_cast<std::uint8_t>(status >> shift & mask); };
  more.powering = bits(14, 3);
  more.powered = bits(12, 3);
  more.pairs = bits(10, 3);
  more.class_a = bits(7, 7);
  more.class_b = bits(4, 7);
  out.extended_class = bits(0, 15);
  const auto setup = in.u8();
  more.type = static_cast<std::uint8_t>(setup >> 1 & 7);
  more.isolated = setup & 1;
  out.maximum_w = watts(in.u16());
  const auto autoclass = in.u8();
  more.autoclass_supported = autoclass & 4;
  more.autoclass_done = autoclass & 2;
  more.autoclass_asked = autoclass & 1;
  const auto down = in.u24();
  more.power_down = static_cast<std::uint8_t>(down >> 18);
  more.power_down_s = down & 0x3ffff;
}

std::optional<LldpPower> read_power(OctetReader in) {
  constexpr std::size_t octets_at = 5, octets_bt = 17;  // that each form adds to the one before
  LldpPower out;
  const auto support = in.u8();
  out.is_source = support & 1;
  out.supported = support & 2;
  out.enabled = support & 4;
  out.pairs_selectable = support & 8;
  out.pairs = in.u8();
  const auto power_class = in.u8();
  if (!in.ok()) return std::nullopt;
  if (power_class >= 1 && power_class <= 5) out.power_class = static_cast<std::uint8_t>(power_class - 1);
  if (in.left() < octets_at) return out;  // the form of 802.1AB-2005 Annex G
  const auto kind = in.u8();
  out.type = kind & 0x80 ? 1 : 2;
  out.type_is_source = !(kind & 0x40);
  out.source = static_cast<std::uint8_t>(kind >> 4 & 3);
  out.takes_both_modes = kind & 4;
  out.priority = static_cast<std::uint8_t>(kind & 3);
  out.requested_w = watts(in.u16());
  out.allocated_w = watts(in.u16());
  if (in.left() >= octets_bt) read_power_extension(in, out);
  return out;
}

std::optional<LldpAggregation> read_aggregation(OctetReader in) {
  LldpAggregation out;
  const auto status = in.u8();
  out.capable = status & 1;
  out.aggregated = status & 2;
  out.port = in.u32();
  return in.ok() ? std::optional(out) : std::nullopt;
}

std::optional<std::uint16_t> read_u16(OctetReader in) {
  const auto value = in.u16();
  return in.ok() ? std::optional(value) : std::nullopt;
}

void read_802_3(std::uint8_t subtype, OctetReader in, LldpNeighbour& out) {
  switch (subtype) {
    case 1: out.mac_phy = read_mac_phy(in); break;
    case 2: out.power = read_power(in); break;
    case 3: out.aggregation = read_aggregation(in); break;
    case 4: out.maximum_frame_octets = read_u16(in); break;
    default: break;
  }
}

void read_802_1(std::uint8_t subtype, OctetReader in, LldpNeighbour& out) {
  if (subtype == 1) {
    out.port_vlan = read_u16(in);
    if (out.port_vlan == 0) out.port_vlan.reset();
  } else if (subtype == 3) {
    LldpVlan vlan{in.u16(), {}};
    vlan.name = printable(in.take(in.u8()));
    if (in.ok() && out.vlans.size() < most_vlans) out.vlans.push_back(std::move(vlan));
  } else if (subtype == 7) {
    out.aggregation = read_aggregation(in);  // 802.1AX moved it here
  }
}

void read_med(std::uint8_t subtype, OctetReader in, LldpNeighbour& out) {
  auto& inventory = out.inventory;
  std::string* const texts[] = {&inventory.hardware, &inventory.firmware, &inventory.software, &inventory.serial,
                                &inventory.manufacturer, &inventory.model, &inventory.asset};
  if (subtype >= 5 && subtype <= 11) *texts[subtype - 5] = printable(in.take(in.left()));
  if (subtype != 4) return;
  const auto kind = in.u8();
  const auto power = in.u16();
  if (!in.ok()) return;
  out.med_power = {(kind >> 6 & 1) == 0, static_cast<std::uint8_t>(kind >> 4 & 3), static_cast<std::uint8_t>(kind & 15), watts(power)};
}

}  // namespace

void read_lldp_organisation(Octets value, LldpNeighbour& out) {
  OctetReader in(value);
  const auto organisation = in.u24();
  const auto subtype = in.u8();
  if (!in.ok()) return;
  if (organisation == ieee_802_3) read_802_3(subtype, in, out);
  if (organisation == ieee_802_1) read_802_1(subtype, in, out);
  if (organisation == tia) read_med(subtype, in, out);
}

std::optional<std::uint8_t> LldpPower::class_in_force() const {
  constexpr std::uint8_t dual_signature = 15;
  if (extended_class == dual_signature) return std::nullopt;
  return extended_class && *extended_class >= 1 && *extended_class <= 8 ? extended_class : power_class;
}

std::string LldpPower::meaning() const {
  if (!extension) return {};
  static constexpr const char* powering[] = {"", "2-pair powering", "4-pair powering, single-signature unit",
                                             "4-pair powering, dual-signature unit"};
  static constexpr const char* powered[] = {"", "powered, single-signature unit", "powered on 2 pairs, dual-signature unit",
                                            "powered on 4 pairs, dual-signature unit"};
  std::string out = is_source ? powering[extension->powering & 3] : powered[extension->powered & 3];
  if (out.empty()) return {};
  const auto whole = extended_class.value_or(0);
  const auto digit = [](std::uint8_t number) { return std::to_string(number); };
  if (whole >= 1 && whole <= 8) out += " of class " + digit(whole);
  const auto is_class = [](std::uint8_t number) { return number >= 1 && number <= 5; };
  if (is_class(extension->class_a)) out += ", class " + digit(extension->class_a) + " on A";
  if (is_class(extension->class_b)) out += ", class " + digit(extension->class_b) + " on B";
  return out;
}

}  // namespace tallywire::wire
