#include "probes/window_counts.hpp"

#include <charconv>

namespace tallywire {
namespace {

constexpr std::size_t most_pairs = 1000;
constexpr std::uint64_t most = std::uint64_t{1} << 48;

// Takes the number and the character behind it, which is `ending` or the end of the text.
std::optional<std::uint64_t> take_number(std::string_view& text, char ending, bool may_end) {
  std::uint64_t value = 0;
  const auto* end = text.data() + text.size();
  const auto [at, code] = std::from_chars(text.data(), end, value);
  if (code != std::errc() || value > most) return std::nullopt;
  if (at == end ? !may_end : *at != ending) return std::nullopt;
  text.remove_prefix(static_cast<std::size_t>(at - text.data()) + (at == end ? 0 : 1));
  return value;
}

}  // namespace

std::string encode_windows(const std::vector<WindowCount>& counts) {
  std::string out;
  for (const auto& [octets, windows] : counts) {
    if (!out.empty()) out += ' ';
    out += std::to_string(octets) + ':' + std::to_string(windows);
  }
  return out;
}

std::optional<std::vector<WindowCount>> decode_windows(std::string_view word) {
  std::vector<WindowCount> out;
  while (!word.empty()) {
    if (out.size() == most_pairs) return std::nullopt;
    const auto octets = take_number(word, ':', false);
    if (!octets) return std::nullopt;
    const bool last_pair = word.find(' ') == std::string_view::npos;
    const auto windows = take_number(word, ' ', true);
    if (!windows || *windows == 0 || (!last_pair && word.empty())) return std::nullopt;
    if (!out.empty() && *octets <= out.back().octets) return std::nullopt;
    out.push_back({*octets, *windows});
  }
  if (out.empty()) return std::nullopt;
  return out;
}

}  // namespace tallywire
