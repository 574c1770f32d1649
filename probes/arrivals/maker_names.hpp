// Who was given the first bits of a hardware address: the public list of the IEEE Registration Authority, as Debian's package
// ieee-data installs it (MA-L of 24 bits, MA-M of 28, MA-S and IAB of 36). Const after loading.
#pragma once

#include "probes/wire/mac_address.hpp"

#include <compare>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace tallywire::arrivals {

class MakerNames {
 public:
  static constexpr const char* debian_directory = "/usr/share/ieee-data";

  // Reads oui.csv, mam.csv, oui36.csv and iab.csv of a directory; files that are not there are passed over.
  static MakerNames load(const std::string& directory = debian_directory);
  // The text of one such file (RFC 4180: Registry,Assignment,Organization Name,…); lines that are no assignment are passed over.
  void add(std::string_view csv);

  // The longest prefix that fits decides. None for a locally administered address (IEEE 802 §8.2.2): nobody was given it.
  std::optional<std::string> maker_of(const wire::MacAddress& address) const;
  std::size_t size() const { return prefixes_.size(); }

 private:
  // Fifty thousand of them: no node and no string for each.
  struct Prefix {
    std::uint64_t value = 0;
    std::uint32_t name_at = 0;  // in names_
    std::uint16_t name_octets = 0;
    std::uint8_t bits = 0;
    auto operator<=>(const Prefix&) const = default;
  };
  const Prefix* find(unsigned bits, std::uint64_t value) const;
  std::vector<Prefix> prefixes_;  // sorted by value, then bits
  std::string names_;
};

}  // namespace tallywire::arrivals
