// `tallywire arrivals FILE`: a capture digested as an interface is, by the same tables. A file never goes through the service,
// which could not read what only its asker may read.
#include "config/loader.hpp"
#include "daemon/client/commands.hpp"
#include "daemon/client/output.hpp"
#include "daemon/client/progress.hpp"
#include "daemon/client/render.hpp"
#include "daemon/client/stop_signals.hpp"
#include "daemon/round/seen_units.hpp"
#include "probes/tap/capture_file.hpp"

#include <cstdio>
#include <deque>

namespace tallywire::client {

using nlohmann::json;

namespace {

// Nobody is lost here: what a capture does not hold is no silence.
json answer_of(const arrivals::UnitTable& table, const std::optional<config::Design>& design, round::Roll* roll, SystemTime end) {
  json out = round::units_json(table, roll, {});
  out["findings"] = verdict::find_arrival_conflicts(design ? &*design : nullptr, round::arrivals_of(table, roll, {}), end);
  out["cameras"] = roll ? json(roll->entries()) : json::array();
  out["strangers"] = roll ? json(roll->strangers()) : json::array();
  return out;
}

std::string render(const json& answer) {
  std::string out;
  if (!answer.at("cameras").empty()) out += render_roll({{"cameras", answer.at("cameras")}, {"strangers", answer.at("strangers")}}) + "\n";
  out += render_units(answer);
  if (!answer.at("findings").empty()) out += "What the arrivals point to:\n" + render_findings(answer.at("findings"));
  const auto& capture = answer.at("capture");
  out += std::to_string(capture.at("frames").get<std::uint64_t>()) + " frames, " + std::to_string(capture.at("frames_that_tell").get<std::uint64_t>()) +
         " of them tell who is there.\n";
  return out;
}

}  // namespace

int arrivals_in_file(const Command& command) {
  std::optional<config::Design> design;
  if (!command.design.empty()) {
    auto loaded = config::load_design(command.design);
    for (const auto& fault : loaded.faults) std::fprintf(stderr, "%s\n", fault.sentence().c_str());
    if (!loaded.design) return fail(command, {FaultKind::bad_request, "the design has faults", command.design, "mend what is listed above"});
    design = std::move(*loaded.design);
  }
  listen_for_stop();
  auto opened = tap::CaptureFile::open(command.file, &stop_asked());
  if (!opened) return fail(command, opened.error());
  auto& file = **opened;
  const auto makers = arrivals::MakerNames::load();
  arrivals::UnitTable table(&makers, {});
  std::optional<round::Roll> roll;
  if (design) roll.emplace(*design, std::set<std::string>(), SystemTime{});
  std::uint64_t telling = 0;
  SystemTime end{};
  arrivals::SightingReader reader;
  ProgressLine line(command.json);
  for (auto frames = file.next(); !frames.empty(); frames = file.next()) {
    for (const auto& frame : frames) {
      end = std::max(end, frame.when);
      const auto sighting = reader.add(frame.octets, frame.link, frame.when);
      if (!sighting) continue;
      ++telling;
      for (const auto& heard : table.hear(*sighting, ""))
        if (roll && roll->see(round::sight_of(table.units()[heard.unit], {})).matched) table.keep(heard.unit);
    }
    if (file.frames() % 65'536 < tap::CaptureFile::most_frames) line.show(0, 0, "reading " + command.file + ", " + std::to_string(file.frames()) + " frames");
  }
  line.clear();
  json answer = answer_of(table, design, roll ? &*roll : nullptr, end);
  answer["capture"] = {{"file", command.file}, {"format", file.format()}, {"frames", file.frames()}, {"frames_that_tell", telling}, {"damage", nullptr}};
  if (file.damage()) {
    answer["capture"]["damage"] = file.damage()->sentence();
    std::fprintf(stderr, "tallywire: %s\n", file.damage()->sentence().c_str());
  }
  if (command.json)
    print_json(answer);
  else
    std::fputs(render(answer).c_str(), stdout);
  return file.damage() || stop_asked().load() ? exit_unread : exit_met;
}

}  // namespace tallywire::client
