// Every beginning of an example, each in memory of its own, so that a sanitizer sees a read past the end.
#pragma once

#include <cstdint>
#include <vector>

namespace tallywire::test {

template <class Function>
void for_each_cut(const std::vector<std::uint8_t>& octets, const Function& function) {
  for (std::size_t length = 0; length < octets.size(); ++length) {
    const std::vector<std::uint8_t> cut(octets.begin(), octets.begin() + static_cast<std::ptrdiff_t>(length));
    function(cut);
  }
}

}  // namespace tallywire::test
