// What the files that carry out asks share: reading arguments, and the shape of an answer.
#pragma once

#include "daemon/round/asks.hpp"
#include "probes/fault.hpp"

#include <chrono>
#include <cstdio>
#include <optional>
#include <string>

namespace tallywire::round {

// 0 read, 2 asked wrongly, 3 could not be read.
inline AskAnswer failed(const Fault& fault) {
  const nlohmann::json error = {{"kind", name_of(fault.kind)}, {"what", fault.what}, {"where", fault.where}, {"try_next", fault.try_next}};
  return {{{"error", error}}, fault.kind == FaultKind::bad_request ? 2 : 3};
}

inline AskAnswer read(nlohmann::json answer, bool whole) { return {std::move(answer), whole ? 0 : 3}; }

inline AskAnswer read(nlohmann::json answer) {
  const auto at = answer.find("unread");
  const bool whole = at == answer.end() || at->empty();
  return read(std::move(answer), whole);
}

inline std::string word(const nlohmann::json& arguments, const char* key, const char* otherwise = "") {
  const auto at = arguments.find(key);
  return at != arguments.end() && at->is_string() ? at->get<std::string>() : otherwise;
}

inline double number(const nlohmann::json& arguments, const char* key, double otherwise) {
  const auto at = arguments.find(key);
  return at != arguments.end() && at->is_number() ? at->get<double>() : otherwise;
}

inline std::string figure(double value) {
  char text[32];
  std::snprintf(text, sizeof text, "%g", value);
  return text;
}

inline Fault no_secret(const std::string& name) {
  return {FaultKind::bad_request, "there is no secret “" + name + "”", "the secrets file",
          "add it, see docs/design-file.md; the service reads its secrets at its start"};
}

inline bool port_is_wrong(double port) { return port < 1 || port > 65535 || port != static_cast<double>(static_cast<int>(port)); }

inline std::chrono::milliseconds milliseconds_of(double seconds) {
  return std::chrono::milliseconds(static_cast<std::int64_t>(seconds * 1000));
}

// Seconds that a person may ask for.
inline std::optional<Fault> check_seconds(double seconds) {
  if (seconds > 0 && seconds <= 86'400) return std::nullopt;
  return Fault{FaultKind::bad_request, "the number of seconds must be more than 0 and at most 86400", "", ""};
}

}  // namespace tallywire::round
