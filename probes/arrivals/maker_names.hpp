// Who was given the first bits of a hardware address: the public list of the IEEE Registration Authority, as Debian's package
// ieee-data installs it (MA-L of 24 bits, MA-M of 28, MA-S and IAB of 36). Const after loading.
#pragma once

#include "probes/wire/mac_address.hpp"

#include <cstdint>
#include <map>
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
  std::size_t size() const { return names_.size(); }

 private:
  // (bits of the prefix, its value) -> place in names_
  std::map<std::pair<unsigned, std::uint64_t>, std::string> names_;
};

}  // namespace tallywire::arrivals
