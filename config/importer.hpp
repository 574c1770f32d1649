// Makes a design from a camera schedule in CSV, one row a stream, as a spreadsheet writes it. The columns
// are laid down in docs/design-file.md.
#pragma once

#include <nlohmann/json.hpp>

#include <string>
#include <string_view>
#include <vector>

namespace tallywire::config {

struct RefusedRow {
  int line = 0;  // of the file, from 1
  std::string what;
};

struct ImportResult {
  nlohmann::json design;             // null when no row could be taken
  std::vector<RefusedRow> refused;   // rows that were left out, and why
};

// RFC 4180 with commas, semicolons or tabs (the header row tells), with or without BOM, CRLF or LF.
// Switches are made from what the rows name; addresses of switches and all else that a schedule does not
// hold must be added by hand, and `design check` names it.
ImportResult import_schedule(std::string_view csv);

}  // namespace tallywire::config
