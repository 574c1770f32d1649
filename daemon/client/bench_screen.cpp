#include "daemon/client/bench_screen.hpp"

#include "daemon/client/output.hpp"
#include "daemon/client/render.hpp"
#include "daemon/client/table.hpp"
#include "probes/reading.hpp"

#include <unistd.h>

#include <cstdio>

namespace tallywire::client {

using nlohmann::json;

BenchScreen::BenchScreen(const Command& command) : command_(command), terminal_(isatty(STDOUT_FILENO) == 1) {
  const double seconds = command.seconds > 0 ? command.seconds : 1e9;
  end_ = std::chrono::steady_clock::now() + std::chrono::duration_cast<std::chrono::steady_clock::duration>(std::chrono::duration<double>(seconds));
  if (!command_.json && !terminal_) std::fputs(cautions_of("bench").c_str(), stdout);
  std::fflush(stdout);
}

bool BenchScreen::goes_on() const { return std::chrono::steady_clock::now() < end_; }

std::vector<std::string> BenchScreen::fresh_warnings(const json& bench) {
  std::vector<std::string> out;
  for (const auto& unit : bench.at("units")) {
    const auto warning = text_of(unit, "warning");
    if (!warning.empty() && told_.insert(text_of(unit, "camera") + " " + text_of(unit, "powered_since") + " " + text_of(unit, "state")).second)
      out.push_back(text_of(bench, "at") + "  " + warning + ".");
  }
  return out;
}

void BenchScreen::show(const json& bench) {
  if (command_.json) {
    if (command_.follow) std::puts(json_line({{"event", "bench"}, {"data", bench}}).c_str());
    std::fflush(stdout);
    return;
  }
  const auto fresh = fresh_warnings(bench);
  warnings_.insert(warnings_.end(), fresh.begin(), fresh.end());
  if (!terminal_) {
    for (const auto& line : fresh) std::puts(line.c_str());
    std::fflush(stdout);
    return;
  }
  std::string out = "\033[H\033[J" + cautions_of("bench") + "\n";
  for (const auto& line : warnings_) out += line + "\n";
  std::fputs((out + (warnings_.empty() ? "" : "\n") + render_bench(bench) + (fresh.empty() ? "" : "\a")).c_str(), stdout);
  std::fflush(stdout);
}

int BenchScreen::finish(const json& bench) {
  show(bench);
  if (command_.json && !command_.follow) print_json(bench);
  if (!command_.json && !terminal_) std::fputs(("\n" + render_bench(bench)).c_str(), stdout);
  return bench.at("exit_code").get<int>();
}

}  // namespace tallywire::client
