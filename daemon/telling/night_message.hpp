// The night's one message: what changed, how much is open, and that this night ran, also when nothing changed. Pure.
#pragma once

#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::telling {

struct NightFacts {
  std::string site;
  std::string night;                   // local date
  std::int64_t sequence = 1;           // one more each night: a gap is a message that did not come
  std::optional<int> nights_since_last;  // 1: the night before was told as well; none: the first
  std::optional<std::int64_t> round;
  std::string state;                   // "complete", "cancelled", "broken_off", "not_run"
  std::string note;                    // why it did not run, or ran late; may be empty
  std::optional<std::int64_t> accepted;
  nlohmann::json begun = nlohmann::json::array(), again = nlohmann::json::array(), ended = nlohmann::json::array();  // drift rows
  std::size_t open = 0;                // rows that still differ, the new ones among them
  nlohmann::json counts;               // of verdicts; null when there was no round
  std::vector<std::string> given_up;   // ways that could not be told of an earlier night
  SystemTime at{};
};

std::string night_key(const std::string& site, const std::string& night);

// As in docs/telling.md: what a webhook gets, with `subject` and `text` for people.
nlohmann::json night_message(const NightFacts& facts);

}  // namespace tallywire::telling
