// Texts that a parser made of other machines' octets.
#pragma once

#include "tests/fuzz/fuzz.hpp"

#include <nlohmann/json.hpp>

namespace tallywire::fuzz {

// dump() throws on octets that are no UTF-8: the judge is a library, not our own check. An octet that is no text grows to
// the three of U+FFFD.
inline void check_text(const std::string& text, std::size_t octets) {
  require(text.size() <= 3 * octets, "no text of its own");
  for (const char c : text) require(static_cast<unsigned char>(c) >= 0x20 && c != 0x7f, "no control characters");
  try {
    static_cast<void>(nlohmann::json(text).dump());
  } catch (const nlohmann::json::exception&) {
    require(false, "texts are valid UTF-8");
  }
}

}  // namespace tallywire::fuzz
