#include "probes/volume/sd_status.hpp"

#include <array>
#include <cstdint>
#include <map>

namespace tallywire::volume {
namespace {

constexpr std::size_t octets = 64;

// A field of whole nibbles, by the number of its lowest bit.
unsigned field(const std::array<std::uint8_t, octets>& status, unsigned lowest, unsigned width) {
  unsigned out = 0;
  for (unsigned bit = lowest + width; bit-- > lowest;) out = out << 1 | (status[octets - 1 - bit / 8] >> (bit % 8) & 1U);
  return out;
}

std::string named(const std::map<unsigned, const char*>& names, unsigned code) {
  const auto at = names.find(code);
  return at == names.end() ? "" : at->second;
}

}  // namespace

std::optional<SdStatus> parse_sd_status(std::string_view text) {
  while (!text.empty() && (text.back() == '\n' || text.back() == ' ')) text.remove_suffix(1);
  if (text.size() != 2 * octets) return std::nullopt;
  std::array<std::uint8_t, octets> status{};
  bool any = false;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    const int digit = c >= '0' && c <= '9' ? c - '0' : c >= 'a' && c <= 'f' ? c - 'a' + 10 : c >= 'A' && c <= 'F' ? c - 'A' + 10 : -1;
    if (digit < 0) return std::nullopt;
    status[i / 2] = static_cast<std::uint8_t>(status[i / 2] << 4 | digit);
    any = any || digit != 0;
  }
  if (!any) return std::nullopt;
  SdStatus out;
  out.speed_class = named({{1, "C2"}, {2, "C4"}, {3, "C6"}, {4, "C10"}}, field(status, 440, 8));
  out.uhs_speed_grade = named({{1, "U1"}, {3, "U3"}}, field(status, 396, 4));
  out.video_speed_class = named({{6, "V6"}, {10, "V10"}, {30, "V30"}, {60, "V60"}, {90, "V90"}}, field(status, 384, 8));
  out.application_class = named({{1, "A1"}, {2, "A2"}}, field(status, 336, 4));
  return out;
}

std::string SdStatus::strongest() const {
  std::string out;
  for (const auto* each : {&speed_class, &uhs_speed_grade, &video_speed_class})
    if (class_write_bytes_per_s(*each).value_or(0) >= class_write_bytes_per_s(out).value_or(1)) out = *each;
  return out;
}

std::optional<double> class_write_bytes_per_s(const std::string& speed_class) {
  // SD Association: Speed Class, UHS Speed Class, Video Speed Class (second-hand).
  static const std::map<std::string, double> mb_per_s = {{"C2", 2},  {"C4", 4},   {"C6", 6},   {"C10", 10},
                                                         {"U1", 10}, {"U3", 30},  {"V6", 6},   {"V10", 10},
                                                         {"V30", 30}, {"V60", 60}, {"V90", 90}};
  const auto at = mb_per_s.find(speed_class);
  if (at == mb_per_s.end()) return std::nullopt;
  return at->second * 1e6;
}

}  // namespace tallywire::volume
