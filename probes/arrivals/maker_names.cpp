#include "probes/arrivals/maker_names.hpp"

#include "probes/wire/printable.hpp"

#include <algorithm>
#include <charconv>
#include <fstream>
#include <iterator>

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

constexpr std::size_t longest_name = 128;

constexpr auto before = [](const auto& a, const auto& b) { return a.value != b.value ? a.value < b.value : a.bits < b.bits; };

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
    const auto name = wire::printable(fields[2]).substr(0, longest_name);
    prefixes_.push_back({value, static_cast<std::uint32_t>(names_.size()), static_cast<std::uint16_t>(name.size()),
                         static_cast<std::uint8_t>(digits.size() * 4)});
    names_ += name;
  }
  std::stable_sort(prefixes_.begin(), prefixes_.end(), before);
}

const MakerNames::Prefix* MakerNames::find(unsigned bits, std::uint64_t value) const {
  const Prefix wanted{value, 0, 0, static_cast<std::uint8_t>(bits)};
  const auto at = std::lower_bound(prefixes_.begin(), prefixes_.end(), wanted, before);
  return at != prefixes_.end() && at->value == value && at->bits == bits ? &*at : nullptr;
}

MakerNames MakerNames::load(const std::string& directory) {
  MakerNames out;
  for (const char* name : {"oui.csv", "mam.csv", "oui36.csv", "iab.csv"}) {
    std::ifstream in(directory + "/" + name);
    const std::string text{std::istreambuf_iterator<char>(in), {}};
    out.add(text);
  }
  out.prefixes_.shrink_to_fit();
  out.names_.shrink_to_fit();
  return out;
}

std::optional<std::string> MakerNames::maker_of(const wire::MacAddress& address) const {
  constexpr std::uint8_t locally_administered = 2;
  if (address.octets[0] & locally_administered) return std::nullopt;
  for (const unsigned bits : {36u, 28u, 24u})
    if (const auto* found = find(bits, number_of(address) >> (48 - bits))) return names_.substr(found->name_at, found->name_octets);
  return std::nullopt;
}

}  // namespace tallywire::arrivals
