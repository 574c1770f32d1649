// Drift as JSON: rows for people and programs (docs/api.md), the memory for the record alone.
#include "daemon/verdict/drift.hpp"

#include <cmath>

namespace tallywire::verdict {

using nlohmann::json;

namespace {

// Seven figures are more than any of these numbers is worth, also as logarithms.
double short_number(double value) {
  if (value == 0 || !std::isfinite(value)) return 0;
  const double unit = std::pow(10.0, 6 - std::floor(std::log10(std::abs(value))));
  return std::round(value * unit) / unit;
}

}  // namespace

void to_json(json& out, const DriftRow& row) {
  out = {{"subject", row.subject}, {"aspect", row.aspect},       {"quantity", row.quantity}, {"was", row.was},
         {"is", row.is},           {"tolerance", row.tolerance}, {"nights", row.nights},     {"text", row.text}};
}

void from_json(const json& in, DriftRow& row) {
  in.at("subject").get_to(row.subject);
  in.at("aspect").get_to(row.aspect);
  in.at("quantity").get_to(row.quantity);
  row.was = in.at("was");
  row.is = in.at("is");
  row.tolerance = in.at("tolerance");
  in.at("nights").get_to(row.nights);
  in.at("text").get_to(row.text);
}

json to_json(const DriftMemory& memory) {
  json series = json::object(), open = json::object();
  for (const auto& [key, one] : memory.series) {
    json first = json::array(), newest = json::array();
    for (const double value : one.first) first.push_back(short_number(value));
    for (const auto& [when, value] : one.newest) newest.push_back({when, short_number(value)});
    series[key] = {{"first", first}, {"newest", newest}};
  }
  for (const auto& [key, one] : memory.open) open[key] = {{"row", one.row}, {"since", one.since_s}, {"back", one.back}};
  return {{"accepted", memory.accepted}, {"last_round", memory.last_round}, {"series", series}, {"open", open}, {"beyond", memory.beyond}};
}

DriftMemory drift_memory_of(const json& text) {
  DriftMemory out;
  text.at("accepted").get_to(out.accepted);
  text.at("last_round").get_to(out.last_round);
  for (const auto& [key, one] : text.at("series").items()) {
    auto& series = out.series[key];
    one.at("first").get_to(series.first);
    for (const auto& pair : one.at("newest")) series.newest.emplace_back(pair.at(0).get<std::int64_t>(), pair.at(1).get<double>());
  }
  for (const auto& [key, one] : text.at("open").items())
    out.open[key] = {one.at("row").get<DriftRow>(), one.at("since").get<std::int64_t>(), one.at("back").get<int>()};
  text.at("beyond").get_to(out.beyond);
  return out;
}

}  // namespace tallywire::verdict
