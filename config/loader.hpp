// Reads a design file and reports every fault of it at once, each where it stands and with what would be
// right. The format is laid down in docs/design-file.md and config/design.schema.json.
#pragma once

#include "config/design.hpp"
#include "config/object_reader.hpp"

#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace tallywire::config {

struct LoadedDesign {
  std::optional<Design> design;      // there exactly when there are no faults
  std::vector<DesignFault> faults;   // by line and column
};

LoadedDesign load_design(const std::string& path);
LoadedDesign parse_design(std::string_view text, const std::string& file_name);

// Faults between parts of a design whose keys and types are right (config/rules.cpp). Pointers follow the
// order of the model: "/cameras/3/port".
void check_rules(const Design& design, ReadingFile& file);

}  // namespace tallywire::config
