#include "config/json_text.hpp"

#include <algorithm>
#include <optional>
#include <set>

namespace tallywire::config {
namespace {

constexpr int deepest = 64;

// Walks a text that may be malformed: it only notes positions and stops at what it does not know;
// whether the text is JSON at all is nlohmann's to say.
class Walker {
 public:
  Walker(std::string_view text, JsonText& out) : text_(text), out_(out) {}

  // Where the walk had to stop; none when it came to the end of a value.
  std::optional<Position> walk() {
    if (value("", 0)) return std::nullopt;
    return here();
  }

 private:
  // The walk only goes forward: lines are counted once.
  Position here() {
    for (; counted_ < at_; ++counted_)
      if (text_[counted_] == '\n') {
        ++line_;
        line_begin_ = counted_ + 1;
      }
    return {line_, static_cast<int>(at_ - line_begin_) + 1};
  }
  char peek() const { return at_ < text_.size() ? text_[at_] : '\0'; }
  void blanks() {
    while (at_ < text_.size() && std::string_view(" \t\r\n").find(text_[at_]) != std::string_view::npos) ++at_;
  }
  bool take(char c) {
    blanks();
    if (peek() != c) return false;
    ++at_;
    return true;
  }
  // A string as it stands between its quotes; escapes are decoded by nlohmann.
  bool string(std::string& out) {
    const auto begin = at_;
    if (peek() != '"') return false;
    for (++at_; at_ < text_.size() && text_[at_] != '"'; ++at_)
      if (text_[at_] == '\\') ++at_;
    if (at_ >= text_.size()) return false;
    ++at_;
    const auto parsed = nlohmann::json::parse(text_.substr(begin, at_ - begin), nullptr, false);
    if (!parsed.is_string()) return false;
    out = parsed.get<std::string>();
    return true;
  }
  bool value(const std::string& pointer, int depth) {
    blanks();
    out_.values[pointer] = here();
    if (depth > deepest) {
      out_.faults.push_back({here(), pointer, "nested too deep", "at most 64 levels"});
      return false;
    }
    if (peek() == '{') return object(pointer, depth);
    if (peek() == '[') return array(pointer, depth);
    std::string ignored;
    if (peek() == '"') return string(ignored);
    const auto begin = at_;
    while (at_ < text_.size() && std::string_view(",]} \t\r\n").find(text_[at_]) == std::string_view::npos) ++at_;
    return at_ > begin;
  }
  bool object(const std::string& pointer, int depth) {
    ++at_;
    std::set<std::string> names;
    if (take('}')) return true;
    do {
      blanks();
      const auto at = here();
      std::string name;
      if (!string(name)) return false;
      const auto inner = pointer + "/" + pointer_part(name);
      if (!names.insert(name).second)
        out_.faults.push_back({at, inner, "the key “" + name + "” stands here twice", "keep one of them"});
      out_.keys[inner] = at;
      if (!take(':') || !value(inner, depth + 1)) return false;
    } while (take(','));
    return take('}');
  }
  bool array(const std::string& pointer, int depth) {
    ++at_;
    if (take(']')) return true;
    int index = 0;
    do {
      if (!value(pointer + "/" + std::to_string(index++), depth + 1)) return false;
    } while (take(','));
    return take(']');
  }

  std::string_view text_;
  JsonText& out_;
  std::size_t at_ = 0;
  std::size_t counted_ = 0, line_begin_ = 0;
  int line_ = 1;
};

Position position_of(std::string_view text, std::size_t octet) {
  const auto before = text.substr(0, std::min(octet, text.size()));
  const auto line = std::count(before.begin(), before.end(), '\n');
  const auto begin = before.rfind('\n');
  return {static_cast<int>(line) + 1,
          static_cast<int>(begin == std::string_view::npos ? before.size() : before.size() - begin - 1) + 1};
}

}  // namespace

std::string pointer_part(const std::string& key) {
  std::string out;
  for (const char c : key) {
    if (c == '~')
      out += "~0";
    else if (c == '/')
      out += "~1";
    else
      out += c;
  }
  return out;
}

JsonText read_json_text(std::string_view text) {
  JsonText out;
  if (text.substr(0, 3) == "\xef\xbb\xbf") text.remove_prefix(3);
  const auto stopped = Walker(text, out).walk();
  const bool too_deep = std::any_of(out.faults.begin(), out.faults.end(),
                                    [](const TextFault& f) { return f.what == "nested too deep"; });
  if (too_deep) {
    out.value = nlohmann::json(nlohmann::json::value_t::discarded);
    return out;
  }
  try {
    out.value = nlohmann::json::parse(text);
  } catch (const nlohmann::json::parse_error& e) {
    out.value = nlohmann::json(nlohmann::json::value_t::discarded);
    const auto at = stopped ? *stopped : position_of(text, e.byte > 0 ? e.byte - 1 : 0);
    const bool ended = e.byte > text.size();
    out.faults.push_back({at, "", ended ? "the file ends in the middle" : "this is no JSON from here on",
                          "look for a missing comma, quote or bracket just before"});
  }
  return out;
}

}  // namespace tallywire::config
