// JSON with positions: where in the text every key and value stands, so that a fault can be shown to the
// person who wrote the file. Values themselves are nlohmann's.
#pragma once

#include <nlohmann/json.hpp>

#include <map>
#include <string>
#include <string_view>
#include <vector>

namespace tallywire::config {

struct Position {
  int line = 1;    // from 1
  int column = 1;  // from 1, in octets
};

struct TextFault {
  Position at;
  std::string pointer;  // RFC 6901
  std::string what;
  std::string right;
};

struct JsonText {
  nlohmann::json value;                     // discarded when there is a syntax fault
  std::map<std::string, Position> values;   // by JSON pointer
  std::map<std::string, Position> keys;     // of a member's name, by the pointer of its value
  std::vector<TextFault> faults;            // syntax, duplicate keys, too deep
};

// RFC 8259, nothing beyond. At most 64 levels deep.
JsonText read_json_text(std::string_view text);

// A part of a pointer with ~ and / escaped (RFC 6901 §3).
std::string pointer_part(const std::string& key);

}  // namespace tallywire::config
