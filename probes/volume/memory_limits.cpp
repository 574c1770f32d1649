#include "probes/volume/memory_limits.hpp"

#include <charconv>
#include <cstdint>
#include <string>

namespace tallywire::volume {
namespace {

std::optional<double> number(std::string_view text) {
  const auto begin = text.find_first_not_of(" \t");
  if (begin == std::string_view::npos) return std::nullopt;
  std::uint64_t out = 0;
  const auto [end, error] = std::from_chars(text.data() + begin, text.data() + text.size(), out);
  return error == std::errc() ? std::optional(static_cast<double>(out)) : std::nullopt;
}

}  // namespace

std::optional<double> parse_memory(std::string_view meminfo, std::string_view name) {
  const std::string head = std::string(name) + ":";
  for (std::size_t at = 0; at < meminfo.size();) {
    const auto line = meminfo.substr(at, meminfo.find('\n', at) - at);
    if (line.substr(0, head.size()) == head) {
      const auto kib = number(line.substr(head.size()));
      return kib ? std::optional(*kib * 1024) : std::nullopt;
    }
    at += line.size() + 1;
  }
  return std::nullopt;
}

std::optional<double> dirty_limit_bytes(std::string_view meminfo, std::string_view dirty_bytes, std::string_view dirty_ratio) {
  if (const auto octets = number(dirty_bytes); octets && *octets > 0) return octets;
  const auto available = parse_memory(meminfo, "MemAvailable"), ratio = number(dirty_ratio);
  if (!available || !ratio) return std::nullopt;
  return *available * *ratio / 100;
}

}  // namespace tallywire::volume
