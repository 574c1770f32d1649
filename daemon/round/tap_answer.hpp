// What `tallywire tap` answers: the tap's report, and where there is a design, which of its streams each one is and how
// it stands against its targets. Pure functions.
#pragma once

#include "config/design.hpp"
#include "daemon/verdict/verdict.hpp"
#include "probes/json_text.hpp"
#include "probes/tap/tap_report.hpp"

#include <nlohmann/json.hpp>

#include <string>
#include <vector>

namespace tallywire::round {

// Which stream of the design one on the wire is.
struct TapMatch {
  std::string camera;    // id; empty when its source is no unit of the design
  std::string subject;   // "camera/ID/head/ID/stream/ID"; empty when it cannot be told which
  std::string reason;    // why not
};

// For each stream of the report, in its order. By the unit's address; then by the path of the URL that set it up, else by
// codec and picture size where one stream of the unit alone has these.
std::vector<TapMatch> match_streams(const config::Design& design, const tap::TapReport& report);

// Addresses of the design's units.
std::vector<wire::IpAddress> units_of(const config::Design& design);

// Readings of the streams that were matched, under their subjects.
std::vector<Reading> readings_of(const tap::TapReport& report, const std::vector<TapMatch>& matches);

struct TapAnswer {
  nlohmann::json answer;  // docs/commands.md, "tap"; of head_of() all but its `streams`
  std::vector<TapMatch> matches;  // of each stream
  int exit_code = 0;
};
// Without a design: 0, or 3 when something could not be read.
TapAnswer answer_of(const tap::TapReport& report, const config::Design* design, SystemTime when);
// The same in two parts, for answers of ten thousand streams: the head, and then one stream after another.
TapAnswer head_of(const tap::TapReport& report, const config::Design* design, SystemTime when);
void write_stream(JsonText& out, const tap::TappedStream& stream, const TapMatch& match);

}  // namespace tallywire::round
