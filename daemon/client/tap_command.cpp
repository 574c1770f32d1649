// `tallywire tap`: a file, or an interface with --alone, metered here. No service can read what only its asker may read,
// so a file never goes through it.
#include "config/loader.hpp"
#include "daemon/client/commands.hpp"
#include "daemon/client/output.hpp"
#include "daemon/client/progress.hpp"
#include "daemon/client/render.hpp"
#include "daemon/client/stop_signals.hpp"
#include "daemon/round/tap_answer.hpp"
#include "probes/tap/capture_run.hpp"
#include "probes/tap/live_tap.hpp"

#include <chrono>
#include <cstdio>
#include <thread>

namespace tallywire::client {

using nlohmann::json;
using namespace std::chrono_literals;

namespace {

class TapCommand {
 public:
  explicit TapCommand(const Command& command) : command_(command), line_(command.json) {}

  int run() {
    if (!command_.design.empty()) {
      auto loaded = config::load_design(command_.design);
      for (const auto& fault : loaded.faults) std::fprintf(stderr, "%s\n", fault.sentence().c_str());
      if (!loaded.design) return fail(command_, {FaultKind::bad_request, "the design has faults", command_.design, "mend what is listed above"});
      design_ = std::move(*loaded.design);
      settings_.units = round::units_of(*design_);
    }
    listen_for_stop();
    return command_.file.empty() ? tap_interface() : tap_capture_file();
  }

 private:
  int finish(const tap::TapReport& report) {
    line_.clear();
    if (report.capture.damage) std::fprintf(stderr, "tallywire: %s\n", report.capture.damage->c_str());
    const auto* design = design_ ? &*design_ : nullptr;
    if (command_.json) return print_streamwise(report, round::head_of(report, design, now_utc()));
    const auto answer = round::answer_of(report, design, now_utc());
    print_answer(command_, answer.answer);
    return answer.exit_code;
  }

  // One object, but put together and written a piece at a time: there may be ten thousand streams.
  static int print_streamwise(const tap::TapReport& report, const round::TapAnswer& head) {
    constexpr std::size_t most_held_octets = 1 << 20;
    auto text = head.answer.dump(2, ' ', false, json::error_handler_t::replace);
    text.resize(text.rfind('}'));
    while (text.back() == '\n' || text.back() == ' ') text.pop_back();
    text += ",\n  \"streams\": [";
    JsonText stream;
    for (std::size_t i = 0; i < report.streams.size(); ++i) {
      stream.clear();
      round::write_stream(stream, report.streams[i], head.matches[i]);
      text.append(i > 0 ? ",\n" : "\n").append(stream.text());
      if (text.size() < most_held_octets) continue;
      std::fwrite(text.data(), 1, text.size(), stdout);
      text.clear();
    }
    text += "\n  ]\n}\n";
    std::fwrite(text.data(), 1, text.size(), stdout);
    return head.exit_code;
  }

  int tap_capture_file() {
    const auto started = std::chrono::steady_clock::now();
    auto shown = started;
    const auto look = [&](std::uint64_t done, std::uint64_t all, tap::Tap& tap) {
      const auto now = std::chrono::steady_clock::now();
      const double passed_s = std::chrono::duration<double>(now - started).count();
      const double share = all > 0 ? static_cast<double>(done) / static_cast<double>(all) : 0;
      const std::string text = "reading " + command_.file + (all > 0 ? ", " + std::to_string(static_cast<int>(share * 100)) + " %" : "") +
                               ", " + std::to_string(tap.streams()) + " streams";
      line_.show(passed_s, share > 0.005 ? passed_s / share : 0, text);
      if (!command_.follow || now - shown < 1s) return;
      shown = now;
      follow(rows_of(tap), tap.streams(), {});
    };
    const auto report = tap::tap_file(command_.file, settings_, stop_asked(), look);
    if (!report) return fail(command_, report.error());
    return finish(*report);
  }

  std::vector<tap::LiveRow> rows_of(tap::Tap& tap) {
    std::vector<tap::LiveRow> out;
    tap.settle();
    for (const auto& [source, octets] : tap.heaviest(most_rows)) {
      out.push_back({tap::describe(*source, {}), 0});
      out.back().wire_bps = out.back().stream.report.wire_bps.value_or(0);
    }
    return out;
  }

  int tap_interface() {
    auto opened = tap::LiveTap::open(command_.interfaces.front(), settings_, command_.threads);
    if (!opened) return fail(command_, opened.error());
    auto& live = **opened;
    const auto started = std::chrono::steady_clock::now();
    const double seconds = command_.seconds > 0 ? command_.seconds : command_.follow ? 1e9 : default_seconds;
    auto shown = started;
    for (double passed_s = 0; passed_s < seconds && !stop_asked().load();) {
      std::this_thread::sleep_for(50ms);
      const auto now = std::chrono::steady_clock::now();
      passed_s = std::chrono::duration<double>(now - started).count();
      const auto away = live.away();
      if (!command_.follow) {
        line_.show(passed_s, seconds, away ? "waiting: " + *away : "metering what passes " + command_.interfaces.front());
      } else if (now - shown >= 1s) {
        shown = now;
        std::size_t streams = 0;
        const auto rows = live.heaviest(most_rows, streams);
        follow(rows, streams, away ? *away : live_losses(live));
      }
    }
    auto report = live.report();
    report.capture.stopped = stop_asked().load() && !command_.follow;
    return finish(report);
  }

  static std::string live_losses(tap::LiveTap& live) {
    const auto lost = live.loss();
    if (lost.by_kernel + lost.by_interface == 0) return "";
    return "the capture itself lost " + std::to_string(lost.by_kernel + lost.by_interface) + " frames";
  }

  void follow(const std::vector<tap::LiveRow>& rows, std::size_t streams, const std::string& note) {
    json table = {{"at", to_rfc3339(now_utc())}, {"streams_in_all", streams}, {"note", note}, {"streams", json::array()}};
    for (const auto& row : rows) {
      json stream = row.stream;
      stream["wire_bps_now"] = row.wire_bps;
      table["streams"].push_back(std::move(stream));
    }
    line_.clear();
    print_tap_table(command_, table);
  }

  static constexpr std::size_t most_rows = 40;
  static constexpr double default_seconds = 10;
  const Command& command_;
  ProgressLine line_;
  std::optional<config::Design> design_;
  tap::TapSettings settings_;
};

}  // namespace

int tap_here(const Command& command) {
  TapCommand work(command);
  return work.run();
}

}  // namespace tallywire::client
