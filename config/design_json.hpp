// A design as JSON, with the keys of its file. Secrets are not in a design; only their names are.
#pragma once

#include "config/design.hpp"

#include <nlohmann/json.hpp>

namespace tallywire::config {

nlohmann::json to_json(const Design& design);

}  // namespace tallywire::config
