#include "config/design_json.hpp"
#include "config/importer.hpp"
#include "config/loader.hpp"
#include "config/text_file.hpp"
#include "daemon/client/commands.hpp"
#include "daemon/client/output.hpp"

#include <cerrno>
#include <cstdio>
#include <cstring>
#include <fstream>

namespace tallywire::client {

using nlohmann::json;

int check_design(const Command& command) {
  const auto loaded = config::load_design(command.file);
  if (command.json) {
    json faults = json::array();
    for (const auto& f : loaded.faults)
      faults.push_back({{"file", f.file}, {"line", f.line}, {"column", f.column}, {"pointer", f.pointer},
                        {"what", f.what}, {"right", f.right}});
    print_json({{"valid", loaded.design.has_value()}, {"file", command.file}, {"faults", faults}});
  } else {
    for (const auto& fault : loaded.faults) std::fprintf(stderr, "%s\n", fault.sentence().c_str());
    if (loaded.design) {
      std::size_t streams = 0;
      for (const auto& camera : loaded.design->cameras)
        for (const auto& head : camera.heads) streams += head.streams.size();
      const auto counted = [](std::size_t n, const char* one, const char* more) { return std::to_string(n) + " " + (n == 1 ? one : more); };
      std::printf("%s is right: %s, %s, %s, %s.\n", command.file.c_str(), counted(loaded.design->switches.size(), "switch", "switches").c_str(),
                  counted(loaded.design->cameras.size(), "camera", "cameras").c_str(), counted(streams, "stream", "streams").c_str(),
                  counted(loaded.design->recorders.size(), "recorder", "recorders").c_str());
    } else {
      std::fprintf(stderr, "%zu %s.\n", loaded.faults.size(), loaded.faults.size() == 1 ? "fault" : "faults");
    }
  }
  return loaded.design ? exit_met : exit_wrong;
}

int import_design(const Command& command) {
  const auto schedule = config::read_text_file(command.file);
  if (!schedule.fault.empty())
    return fail(command, {FaultKind::bad_request, schedule.fault, command.file, "check the name and the right to read it"});
  const auto imported = config::import_schedule(schedule.text);
  for (const auto& row : imported.refused)
    std::fprintf(stderr, "%s:%d: %s\n", command.file.c_str(), row.line, row.what.c_str());
  if (imported.design.is_null())
    return fail(command, {FaultKind::bad_request, "no row of the schedule could be taken", command.file,
                          "see the columns in docs/design-file.md"});
  if (command.json) {
    json refused = json::array();
    for (const auto& row : imported.refused) refused.push_back({{"line", row.line}, {"what", row.what}});
    print_json({{"design", imported.design}, {"refused", refused}});
  }
  const auto design = imported.design.dump(2) + "\n";
  if (!command.out.empty()) {
    // Never over a file that somebody may have worked on.
    if (std::ifstream(command.out))
      return fail(command, {FaultKind::bad_request, "the file is there already", command.out, "name another one"});
    std::ofstream out(command.out, std::ios::binary);
    out << design;
    out.close();
    if (!out)
      return fail(command, {FaultKind::system, std::string("the design cannot be written: ") + std::strerror(errno),
                            command.out, "check the directory and the free space"});
  } else if (!command.json) {
    std::fputs(design.c_str(), stdout);
  }
  std::fprintf(stderr, "%zu cameras taken, %zu rows with a remark. Fill in what the schedule does not hold, then: tallywire design check\n",
               imported.design.at("cameras").size(), imported.refused.size());
  return imported.refused.empty() ? exit_met : exit_missed;
}

}  // namespace tallywire::client
