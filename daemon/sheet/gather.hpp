// A sheet's data from the record: one round, the findings that earlier rounds had and it no longer has, and what was witnessed. Blocks on the
// disk. Calls no probe.
#pragma once

#include "config/design.hpp"
#include "daemon/record/record.hpp"
#include "probes/fault.hpp"

#include <nlohmann/json.hpp>

#include <cstdint>
#include <optional>
#include <string>

namespace tallywire::sheet {

struct SheetOrder {
  std::optional<std::int64_t> round;  // none: the newest complete round of the whole site
  std::string by;                     // who makes the sheet; may be empty
  SystemTime at{};
};

// As docs/sheet.md lays it down. A Fault of kind bad_request: no such round, one that still runs, a name that cannot stand on paper.
Outcome<nlohmann::json> gather(record::Record& record, const config::Design& design, const SheetOrder& order);

}  // namespace tallywire::sheet
