// What only a person can confirm: the design's points with what the record says of each, and who may say what. Pure functions.
#pragma once

#include "config/design.hpp"
#include "daemon/record/record.hpp"
#include "probes/fault.hpp"

#include <nlohmann/json.hpp>

#include <vector>

namespace tallywire::sheet {

inline constexpr std::size_t most_name_octets = 200;
inline constexpr std::size_t most_note_octets = 2000;

// [{subject, point, text, witnessed, undone}] in the design's order. `witnessed`: {by, at, note} of the last that was said of it, or
// null; `undone`: the same when the last one took it back.
nlohmann::json witness_points(const config::Design& design, const std::vector<record::Witness>& said);

// {subject, point, by, note, undone} as a person sent it, held against the design and what was said before. A Fault of kind
// bad_request says what is wrong and what exists.
Outcome<record::Witness> witness_of(const config::Design& design, const std::vector<record::Witness>& said, const nlohmann::json& sent, SystemTime now);

// A name of a person: there, not too long, without hidden characters, without blanks around it. The one rule for whoever accepts,
// witnesses or makes a sheet, by page, command or API. A Fault of kind bad_request.
Outcome<void> check_name(const std::string& name);

nlohmann::json witness_json(const record::Witness& witness);  // as in docs/api.md

}  // namespace tallywire::sheet
