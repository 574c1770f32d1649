#include "daemon/record/round_parts.hpp"

#include "probes/reading.hpp"

#include <zstd.h>

namespace tallywire::record {

using nlohmann::json;

namespace {

constexpr int pack_level = 6;  // of zstd: 1/15 for verdicts; higher ones gain a tenth for twice the time
constexpr std::size_t largest_part_bytes = 512 * 1024 * 1024;

}  // namespace

std::string pack(std::string_view text) {
  std::string out(ZSTD_compressBound(text.size()), '\0');
  const auto size = ZSTD_compress(out.data(), out.size(), text.data(), text.size(), pack_level);
  if (ZSTD_isError(size) != 0) throw std::runtime_error(std::string("zstd: ") + ZSTD_getErrorName(size));
  out.resize(size);
  return out;
}

Outcome<std::string> unpack(std::string_view packed, std::size_t bytes) {
  const Fault damaged{FaultKind::malformed, "a round's document in the record is damaged", "", "restore a copy of the record"};
  if (bytes > largest_part_bytes) return damaged;
  std::string out(bytes, '\0');
  const auto size = ZSTD_decompress(out.data(), out.size(), packed.data(), packed.size());
  if (ZSTD_isError(size) != 0 || size != bytes) return damaged;
  return out;
}

std::vector<RoundPart> parts_of(const json& document) {
  std::vector<RoundPart> out(1);
  json head = json::object();
  const auto add = [](RoundPart& part, const std::string& name, const json& value) {
    const auto text = json_line(value);
    part = {name, text.size(), pack(text)};
  };
  for (const auto& [key, value] : document.items()) {
    if (!value.is_array()) {
      head[key] = value;
      continue;
    }
    add(out.emplace_back(), key, value);
  }
  add(out.front(), "head", head);
  return out;
}

std::map<std::string, UnitOutcome> unit_outcomes(const json& document) {
  std::map<std::string, UnitOutcome> out;
  constexpr std::string_view camera = "camera/";
  for (const auto& entry : document.value("roll", json::array()))
    if (entry.is_object() && entry.contains("camera")) out[entry.at("camera").get<std::string>()].presence = entry.value("presence", "");
  const auto verdicts = document.find("verdicts");
  if (verdicts == document.end() || !verdicts->is_array()) return out;
  for (const auto& verdict : *verdicts) {
    if (!verdict.is_object()) continue;
    const auto subject = verdict.value("subject", "");
    if (!subject.starts_with(camera)) continue;
    auto& unit = out[subject.substr(camera.size(), subject.find('/', camera.size()) - camera.size())];
    const auto kind = verdict.value("verdict", "");
    (kind == "met" ? unit.met : kind == "tight" ? unit.tight : kind == "missed" ? unit.missed : unit.unread) += 1;
  }
  return out;
}

}  // namespace tallywire::record
