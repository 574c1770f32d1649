// What a night does to the record: the drift of a round, and the message of a night. Blocking, one thread at a time; no network.
#pragma once

#include "config/design.hpp"
#include "daemon/record/record.hpp"
#include "daemon/telling/night_message.hpp"
#include "daemon/verdict/drift.hpp"

#include <nlohmann/json.hpp>

#include <optional>
#include <string>
#include <vector>

namespace tallywire {

// Names of what is kept.
inline constexpr const char* drift_memory_kept = "drift_memory";
inline constexpr const char* drift_rows_kept = "drift_rows";  // {accepted, round, drift}: what the API answers
inline constexpr const char* night_kept = "night";  // {date, before, told, round, sequence, last_told_date}

struct DriftNow {
  std::optional<std::int64_t> accepted, round;  // none: nothing is accepted; nothing is later
  verdict::DriftMemory memory;
  verdict::DriftOfRound of_round;
};

Outcome<verdict::RoundRead> round_read(record::Record& record, const config::Design& design, std::int64_t id, SystemTime started);

// Every whole round after the accepted one that the memory has not seen yet, the newest 60 at most; then, if `ending` is given, that
// round, which the record still has as running. Keeps nothing.
Outcome<DriftNow> drift_now(record::Record& record, const config::Design& design, const std::optional<record::Record::WholeRound>& ending);

nlohmann::json rows_answer(const DriftNow& now);
// The memory and the rows, for Record::keep.
std::vector<std::pair<std::string, nlohmann::json>> state_of(const DriftNow& now);
// As GET /api/drift answers: from what is kept; where a round was accepted since, made anew and kept.
Outcome<nlohmann::json> drift_answer(record::Record& record, const config::Design& design);

// Keeps the night as told, with its message for each way.
Outcome<void> tell_night(record::Record& record, telling::NightFacts facts, const std::vector<std::string>& ways,
                         std::vector<std::pair<std::string, nlohmann::json>> state);

}  // namespace tallywire
