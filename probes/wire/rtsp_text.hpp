// Small pieces of text that the RTSP family shares. All views are into the argument.
#pragma once

#include <algorithm>
#include <cctype>
#include <charconv>
#include <string>
#include <string_view>
#include <system_error>

namespace tallywire::wire {

inline std::string_view trim(std::string_view text) {
  const auto blank = [](char c) { return c == ' ' || c == '\t' || c == '\r' || c == '\n' || c == '\v' || c == '\f'; };
  while (!text.empty() && blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && blank(text.back())) text.remove_suffix(1);
  return text;
}

// Takes the part before `separator` off the front.
inline std::string_view cut(std::string_view& rest, char separator) {
  const auto at = rest.find(separator);
  const auto part = rest.substr(0, at);
  rest = at == std::string_view::npos ? std::string_view() : rest.substr(at + 1);
  return part;
}

inline std::string lower(std::string_view text) {
  std::string out(text);
  std::transform(out.begin(), out.end(), out.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return out;
}

inline bool same(std::string_view a, std::string_view b) {
  return a.size() == b.size() && std::equal(a.begin(), a.end(), b.begin(), [](unsigned char x, unsigned char y) {
           return std::tolower(x) == std::tolower(y);
         });
}

// The whole text is the number, or it is none; one that does not fit is none either.
template <class Number>
bool read_number(std::string_view text, Number& out, int base = 10) {
  const auto [end, code] = std::from_chars(text.data(), text.data() + text.size(), out, base);
  return code == std::errc() && end == text.data() + text.size();
}

// What a unit wrote, fit to be shown to a person: ASCII, no control characters, not endless.
inline std::string excerpt(std::string_view text, std::size_t most = 160) {
  std::string out(text.substr(0, most));
  for (auto& c : out)
    if (c < ' ' || c > '~') c = '?';
  if (text.size() > most) out += "...";
  return out;
}

}  // namespace tallywire::wire
