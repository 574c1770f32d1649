// What differs from the accepted round: every later round against it, with a memory that does not cry at one bad night.
// Pure functions: no clock, no I/O. The rule in words, with the nights that each takes: docs/drift.md.
//
// Three ways to compare, by quantity (`watched_quantities`):
//   at_once   what does not scatter (presence, port, link, class, firmware, what the unit says it is set to): told in the same round
//   in_a_row  measured settings (frame rate, GOP): told when `rounds_in_a_row` rounds lie beyond the tolerance
//   level     what scatters (bit rate, headroom, days held, loss): a level learnt from the first rounds, told when most of the
//             newest rounds of the same kind of hour lie beyond it
#pragma once

#include "config/design.hpp"
#include "daemon/verdict/findings.hpp"
#include "daemon/verdict/verdict.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <deque>
#include <map>
#include <string>
#include <unordered_map>
#include <vector>

namespace tallywire::verdict {

inline constexpr int rounds_in_a_row = 3;       // measured settings; what could not be read any more
inline constexpr int rounds_back = 2;           // so long must what is told at once be back before its row ends
inline constexpr std::size_t level_rounds = 14;  // the level is the median of the first ones: two whole weeks
inline constexpr std::size_t least_level_rounds = 7;
inline constexpr std::size_t newest_rounds = 14;  // that are looked at, and how many of them must agree
inline constexpr int newest_that_agree = 10;
inline constexpr std::size_t newest_lossy_rounds = 7;
inline constexpr int lossy_that_agree = 4;
inline constexpr int lossless_to_end = 6;
inline constexpr double scatter_factor = 5;     // a change of the level counts from so many standard errors on

// One whole round as it was read.
struct RoundRead {
  std::int64_t id = 0;
  SystemTime when{};
  std::string hours;  // kind of hour: rounds of the same word are compared where day and night differ
  std::vector<Reading> readings;
};

struct DriftRow {
  std::string subject;
  std::string aspect;    // presence, port, link, power, firmware, setting, bit_rate, loss, headroom, days_held, verdict, finding
  std::string quantity;
  nlohmann::json was;    // null: was not there
  nlohmann::json is;     // null: is not there, or could not be read any more
  nlohmann::json tolerance;  // a share of `was` (ratios), an amount (loss, headroom); null: none, it must be the same
  int nights = 0;        // for how many nights it is so; 0: two rounds are compared, not nights
  std::string text;      // for a person
};

// What one series of readings was: transformed as its way wants it (logarithm, share, amount).
struct DriftSeries {
  std::vector<double> first;  // at most level_rounds
  std::deque<std::pair<std::int64_t, double>> newest;  // seconds since 1970, value
};

struct OpenDrift {
  DriftRow row;
  std::int64_t since_s = 0;
  int back = 0;  // rounds in a row inside again
};

// All that must be kept between two rounds. As JSON some ten numbers a series.
struct DriftMemory {
  std::int64_t accepted = 0;    // the round that all of it is against
  std::int64_t last_round = 0;  // the newest that went in
  std::map<std::string, DriftSeries> series;
  std::map<std::string, OpenDrift> open;
  std::map<std::string, std::vector<std::int64_t>> beyond;  // settings and unread ones not told yet: when, in a row
};
nlohmann::json to_json(const DriftMemory& memory);
// Throws nlohmann::json::exception on what it has not written itself.
DriftMemory drift_memory_of(const nlohmann::json& text);

struct DriftOfRound {
  std::vector<DriftRow> rows;   // all that differ
  std::vector<DriftRow> begun;  // of these, new in this round
  std::vector<DriftRow> again;  // was on its way back, and is gone again
  std::vector<DriftRow> ended;  // is as accepted again
};

class Drift {
 public:
  // The accepted round. `design` is read at once and not kept.
  Drift(const RoundRead& accepted, const config::Design& design);
  // Takes the next whole round in, oldest first. A memory against another accepted round begins anew; a round that is not newer
  // than the last one changes nothing and answers what is open.
  DriftOfRound next(const RoundRead& round, DriftMemory& memory) const;

 private:
  friend class DriftStep;
  std::int64_t id_;
  std::string hours_;
  std::unordered_map<std::string, Reading> accepted_;  // subject, blank, quantity
  config::Limits limits_;
  std::map<std::string, double> full_;                 // uplink and quantity -> what its share is taken of, bit/s
};

// The rows of a memory, sorted by subject.
std::vector<DriftRow> open_rows(const DriftMemory& memory);

// What changed between any two rounds, without memory: numbers beyond the same tolerances, verdicts, findings. `verdicts` and
// `findings` as a round's document has them.
struct RoundTold {
  RoundRead round;
  nlohmann::json verdicts = nlohmann::json::array(), findings = nlohmann::json::array();
};
std::vector<DriftRow> changes_between(const RoundTold& was, const RoundTold& is, const config::Design& design);

void to_json(nlohmann::json& out, const DriftRow& row);
void from_json(const nlohmann::json& in, DriftRow& row);

}  // namespace tallywire::verdict
