#include "daemon/sheet/html.hpp"

#include <nlohmann/json.hpp>

#include <array>
#include <cmath>
#include <cstdint>
#include <cstdio>

namespace tallywire::sheet {

using nlohmann::json;

namespace {

constexpr char32_t replacement = 0xfffd;

// The next code point, and how many octets it took; the replacement and one octet where the octets are no UTF-8 (RFC 3629 §4).
char32_t next_code_point(std::string_view text, std::size_t& taken) {
  const auto octet = [&](std::size_t i) { return static_cast<std::uint8_t>(text[i]); };
  taken = 1;
  const std::uint8_t first = octet(0);
  if (first < 0x80) return first;
  const std::size_t length = first >= 0xf0 ? 4 : first >= 0xe0 ? 3 : 2;
  if (first < 0xc2 || first > 0xf4 || text.size() < length) return replacement;
  char32_t out = first & (0x7fU >> length);
  for (std::size_t i = 1; i < length; ++i) {
    if ((octet(i) & 0xc0) != 0x80) return replacement;
    out = (out << 6) | (octet(i) & 0x3fU);
  }
  constexpr std::array<char32_t, 5> least = {0, 0, 0x80, 0x800, 0x10000};
  if (out < least[length] || out > 0x10ffff || (out >= 0xd800 && out <= 0xdfff)) return replacement;
  taken = length;
  return out;
}

bool is_hidden(char32_t c) {
  return (c < 0x20 && c != '\n' && c != '\t') || (c >= 0x7f && c < 0xa0) || c == 0x61c || c == 0x200b || c == 0x200e || c == 0x200f || (c >= 0x2028 &&
      c <= 0x202e) ||
         (c >= 0x2060 && c <= 0x206f) || c == 0xfeff || (c >= 0xfff9 && c <= 0xfffb) || (c >= 0xe0000 && c <= 0xe007f);
}

const json nothing;
const json empty_list = json::array();

// Drawn, not typed: a font of the printer may lack the characters. The board's shapes, as paths in a box of 16.
struct Shape {
  const char* state;
  const char* path;
};
constexpr std::array<Shape, 10> shapes = {{
    {"met", R"(<circle cx="8" cy="8" r="5.5"/>)"},
    {"tight", R"(<circle cx="8" cy="8" r="5.5" fill="none"/><path d="M8 2.5a5.5 5.5 0 0 0 0 11z"/>)"},
    {"missed", R"(<path d="M3 3L13 13M13 3L3 13" stroke-width="3"/>)"},
    {"unread", R"(<circle cx="8" cy="8" r="5.5" fill="none" stroke-dasharray="2.6 1.8"/>)"},
    {"awaited", R"(<circle cx="8" cy="8" r="5.5" fill="none" stroke-dasharray="2.6 1.8"/>)"},
    {"arrived", R"(<path d="M8 2L14 8L8 14L2 8z" fill="none"/>)"},
    {"proven", R"(<circle cx="8" cy="8" r="5.5"/>)"},
    {"wanting", R"(<path d="M3 3L13 13M13 3L3 13" stroke-width="3"/>)"},
    {"lost", R"(<path d="M2 3H14L8 14z" fill="none"/>)"},
    {"open", R"(<rect x="2" y="2" width="12" height="12" fill="none"/>)"},
}};

std::string symbol_of(const std::string& state) {
  for (const auto& one : shapes)
    if (state == one.state) return state;
  return "unread";
}

}  // namespace

std::string escaped(std::string_view text) {
  std::string out;
  out.reserve(text.size() + text.size() / 8);
  while (!text.empty()) {
    std::size_t taken = 1;
    const char32_t c = next_code_point(text, taken);
    if (c == replacement) {
      out += "\xef\xbf\xbd";
    } else if (is_hidden(c)) {
      char shown[32];
      std::snprintf(shown, sizeof shown, "⟨U+%04X⟩", static_cast<unsigned>(c));
      out += shown;
    } else {
      switch (c) {
        case '&': out += "&amp;"; break;
        case '<': out += "&lt;"; break;
        case '>': out += "&gt;"; break;
        case '"': out += "&quot;"; break;
        case '\'': out += "&#39;"; break;
        default: out += text.substr(0, taken);
      }
    }
    text.remove_prefix(taken);
  }
  return out;
}

bool has_hidden(std::string_view text) {
  while (!text.empty()) {
    std::size_t taken = 1;
    const char32_t c = next_code_point(text, taken);
    if (c == replacement || c == '\n' || c == '\t' || is_hidden(c)) return true;
    text.remove_prefix(taken);
  }
  return false;
}

std::string_view without_blanks_around(std::string_view text) {
  constexpr std::array<std::string_view, 21> blanks = {" ", "\t", "\n", "\r", "\u00a0", "\u1680", "\u2000", "\u2001", "\u2002", "\u2003", "\u2004", "\u2005", "\u2006",
      "\u2007", "\u2008", "\u2009", "\u200a", "\u202f", "\u205f", "\u3000", "\v"};
  for (bool again = true; again;) {
    again = false;
    for (const auto blank : blanks) {
      const bool before = text.starts_with(blank);
      if (before) text.remove_prefix(blank.size());
      const bool after = text.ends_with(blank);
      if (after) text.remove_suffix(blank.size());
      again = again || before || after;
    }
  }
  return text;
}

std::string element(const char* name, const std::string& kind, const std::string& inner) {
  return "<" + std::string(name) + (kind.empty() ? "" : " class=\"" + kind + "\"") + ">" + inner + "</" + name + ">";
}

const json& member(const json& object, const char* key) {
  if (!object.is_object()) return nothing;
  const auto at = object.find(key);
  return at == object.end() ? nothing : *at;
}

const json& none() { return nothing; }

std::string word(const json& object, const char* key) {
  const auto& value = member(object, key);
  return value.is_string() ? value.get<std::string>() : std::string();
}

std::optional<double> number(const json& object, const char* key) {
  const auto& value = member(object, key);
  if (!value.is_number()) return std::nullopt;
  return value.get<double>();
}

std::int64_t count(const json& object, const char* key) {
  const double value = number(object, key).value_or(0);
  return value >= 0 && value < 1e15 ? static_cast<std::int64_t>(value) : 0;
}

const json& list(const json& object, const char* key) {
  const auto& value = member(object, key);
  return value.is_array() ? value : empty_list;
}

std::string spoken_time(const std::string& rfc3339) {
  const bool whole = rfc3339.size() >= 20 && rfc3339[4] == '-' && rfc3339[10] == 'T' && rfc3339[13] == ':' && rfc3339.back() == 'Z';
  return escaped(whole ? rfc3339.substr(0, 10) + " " + rfc3339.substr(11, 5) + " UTC" : rfc3339);
}

std::string figure(double value, int digits) {
  char text[40];
  std::snprintf(text, sizeof text, "%.*g", digits, std::isfinite(value) ? value : 0.0);
  return text;
}

std::string mark(const std::string& state, const std::string& said) {
  const auto symbol = symbol_of(state);
  return "<span class=\"mark " + symbol + "\"><svg aria-hidden=\"true\"><use href=\"#s-" + symbol + "\"/></svg>&nbsp;" + escaped(said.empty() ? state
      : said) + "</span>";
}

std::string shape(const std::string& state, double x, double y, double size) {
  return "<use href=\"#s-" + symbol_of(state) + "\" x=\"" + figure(x - size / 2) + "\" y=\"" + figure(y - size / 2) + "\" width=\"" + figure(size) +
         "\" height=\"" + figure(size) + "\"/>";
}

std::string shape_symbols() {
  std::string out = "<svg class=\"symbols\" aria-hidden=\"true\"><defs>\n";
  for (const auto& one : shapes)
    out += "<symbol id=\"s-" + std::string(one.state) + "\" viewBox=\"0 0 16 16\">" + one.path + "</symbol>\n";
  // Grey and colour may be lost on the way to paper, lines are not.
  out += R"svg(<pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
<rect width="6" height="6" fill="#fff"/><path d="M0 0V6" stroke="#16181d" stroke-width="4"/></pattern>
<pattern id="light" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(-45)">
<rect width="7" height="7" fill="#fff"/><path d="M0 0V7" stroke="#16181d" stroke-width="1.4"/></pattern>
</defs></svg>
)svg";
  return out;
}

}  // namespace tallywire::sheet
