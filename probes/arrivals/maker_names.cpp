#include "probes/arrivals/maker_names.hpp"

#include "probes/wire/printable.hpp"

#include <charconv>
#include <fstream>
#include <sstream>

namespace tallywire::arrivals {
namespace {

// The fields of one record from `text`, which is moved on past it (RFC 4180: quoted fields may hold commas, quotes, line ends).
std::vector<std::string> take_record(std::string_view& text) {
  std::vector<std::string> out(1);
  bool quoted = false;
  std::size_t at = 0;
  for (; at < text.size(); ++at) {
    const char c = text[at];
    if (quoted && c == '"' && at + 1 < text.size() && text[at + 1] == '"') {
      out.back() += text[++at];
    } else if (c == '"') {
      quoted = !quoted;
    } else if (!quoted && c == ',') {
      out.emplace_back();
    } else if (!quoted && c == '\n') {
      break;
    } else if (c != '\r') {
      out.back() += c;
    }
  }
  text.remove_prefix(std::min(text.size(), at + 1));
  return out;
}

std::uint64_t number_of(const wire::MacAddress& address) {
  std::uint64_t out = 0;
  for (const auto octet : address.octets) out = out << 8 | octet;
  return out;
}

}  // namespace

void MakerNames::add(std::string_view csv) {
  while (!csv.empty()) {
    const auto fields = take_record(csv);
    if (fields.size() < 3) continue;
    const auto& digits = fields[1];
    std::uint64_t value = 0;
    const auto [end, code] = std::from_chars(digits.data(), digits.data() + digits.size(), value, 16);
    const bool whole = code == std::errc() && end == digits.data() + digits.size();
    if (!whole || (digits.size() != 6 && digits.size() != 7 && digits.size() != 9)) continue;
    names_.emplace(std::make_pair(static_cast<unsigned>(digits.size()) * 4, value), wire::printable(fields[2]));
  }
}

MakerNames MakerNames::load(const std::string& directory) {
  MakerNames out;
  for (const char* name : {"oui.csv", "mam.csv", "oui36.csv", "iab.csv"}) {
    std::ifstream in(directory + "/" + name);
    std::ostringstream text;
    if (in) out.add((text << in.rdbuf(), text.str()));
  }
  return out;
}

std::optional<std::string> MakerNames::maker_of(const wire::MacAddress& address) const {
  constexpr std::uint8_t locally_administered = 2;
  if (address.octets[0] & locally_administered) return std::nullopt;
  for (const unsigned bits : {36u, 28u, 24u})
    if (const auto at = names_.find({bits, number_of(address) >> (48 - bits)}); at != names_.end()) return at->second;
  return std::nullopt;
}

}  // namespace tallywire::arrivals
