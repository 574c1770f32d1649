// What a name or another text of a design may hold.
#include "config/object_reader.hpp"

#include <algorithm>
#include <cctype>

namespace tallywire::config {
namespace {

bool is_octet(std::string_view text, std::size_t at, unsigned char low, unsigned char high) {
  if (at >= text.size()) return false;
  const auto octet = static_cast<unsigned char>(text[at]);
  return octet >= low && octet <= high;
}

// How many octets of UTF-8 a hidden character takes here: C0, delete, C1 (U+0080 to U+009F), U+202A to U+202E, U+2066 to U+2069;
// 0 when there is none.
std::size_t hidden_at(std::string_view text, std::size_t at) {
  if (is_octet(text, at, 0, 0x1f) || is_octet(text, at, 0x7f, 0x7f)) return 1;
  if (is_octet(text, at, 0xc2, 0xc2) && is_octet(text, at + 1, 0x80, 0x9f)) return 2;
  if (!is_octet(text, at, 0xe2, 0xe2)) return 0;
  const bool turning = is_octet(text, at + 1, 0x80, 0x80) && is_octet(text, at + 2, 0xaa, 0xae);
  const bool isolating = is_octet(text, at + 1, 0x81, 0x81) && is_octet(text, at + 2, 0xa6, 0xa9);
  return turning || isolating ? 3 : 0;
}

void check_below(const nlohmann::json& value, const std::string& pointer, ReadingFile& file) {
  if (value.is_string())
    if (const auto wrong = text_fault(value.get_ref<const std::string&>()); !wrong.empty()) file.fault(pointer, "the text " + wrong, text_right);
  if (value.is_array())
    for (std::size_t i = 0; i < value.size(); ++i) check_below(value[i], pointer + "/" + std::to_string(i), file);
  if (!value.is_object()) return;
  for (const auto& [key, inner] : value.items()) check_below(inner, pointer + "/" + pointer_part(key), file);
}

}  // namespace

const char* const text_right = "one line of at most 300 octets, without control characters and without those that turn the reading order";

std::string text_fault(std::string_view text) {
  if (text.size() > most_text_octets) return "is longer than " + std::to_string(most_text_octets) + " octets";
  for (std::size_t at = 0; at < text.size(); ++at)
    if (hidden_at(text, at) > 0) return "holds a character that is not seen";
  return "";
}

std::string shown(std::string_view text) {
  std::string out;
  for (std::size_t at = 0; at < text.size();) {
    const auto hidden = hidden_at(text, at);
    if (hidden > 0) out += "\xef\xbf\xbd";
    else out += text[at];
    at += hidden > 0 ? hidden : 1;
  }
  return out;
}

bool is_id(std::string_view id) {
  return !id.empty() && std::all_of(id.begin(), id.end(), [](unsigned char c) { return std::isalnum(c) || c == '-' || c == '_'; });
}

void check_texts(ReadingFile& file) { check_below(file.text.value, "", file); }

}  // namespace tallywire::config
