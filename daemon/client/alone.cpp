// Commands that do the work here: the same rooms as the service's, without a record.
#include "config/loader.hpp"
#include "config/secrets.hpp"
#include "daemon/client/bench_screen.hpp"
#include "daemon/client/commands.hpp"
#include "daemon/client/drive.hpp"
#include "daemon/client/output.hpp"
#include "daemon/client/progress.hpp"
#include "daemon/client/render.hpp"
#include "daemon/round/asks.hpp"
#include "daemon/round/bench.hpp"
#include "daemon/round/real_instruments.hpp"
#include "daemon/round/runner.hpp"
#include "daemon/round/watch.hpp"
#include "probes/deadline.hpp"

#include <boost/asio/io_context.hpp>
#include <spdlog/spdlog.h>

#include <cstdio>

namespace tallywire::client {

namespace asio = boost::asio;
using nlohmann::json;
using namespace std::chrono_literals;

namespace {

constexpr double listen_s = 6;  // arrivals --alone without --seconds: long enough for every unit to be asked twice

// Keeps the roll while a round or a listening runs.
class Keeper : public round::RollKeeper, public round::RoundListener {
 public:
  Keeper(const config::Design& design, const Command& command)
      : command_(command), roll_(design, round::own_hardware_addresses(), now_utc()), line_(command.json) {}

  round::Roll& own_roll() { return roll_; }
  const round::Roll& roll() const override { return roll_; }
  void heard(const std::string& camera) override { roll_.heard(camera, now_utc()); }
  void place(const std::string& hardware, const std::string& seen_on) override {
    roll_.place(hardware, seen_on);
    if (watch_) watch_->place(hardware, seen_on);
  }
  void judged(const std::string& camera, round::Presence is, const std::string& reason, SystemTime) override {
    roll_.judged(camera, is, reason, now_utc());
  }
  void port_down(const std::string& switch_port) override { changed(roll_.port_down(switch_port, now_utc())); }
  void not_a_unit(const std::string& hardware_address) override { roll_.not_a_unit(hardware_address); }
  std::vector<verdict::Finding> findings() const override { return watch_ ? watch_->findings() : std::vector<verdict::Finding>(); }
  void keep(round::Watch* watch) { watch_ = watch; }
  void planned(const json& head) override {
    if (!command_.json)
      std::fprintf(stderr, "About %.0f s: %s.\n", head.at("planned_s").get<double>(), head.at("plan").get<std::string>().c_str());
  }
  void replanned(double planned_s, const std::string& plan) override {
    line_.clear();
    if (!command_.json) std::fprintf(stderr, "The links were looked at. About %.0f s: %s.\n", planned_s, plan.c_str());
  }
  void progressed(double done_s, double planned_s, const std::string& text) override { line_.show(done_s, planned_s, text); }
  void read(const std::vector<Reading>&) override {}
  void changed(const round::Changes& changes) {
    if (!command_.follow || command_.name != "arrivals") return;
    for (const auto& change : changes.cameras) {
      json data = change.entry;
      data["was"] = round::name_of(change.was);
      data["at"] = data.at("since");
      std::fputs(command_.json ? (json_line({{"event", "presence"}, {"data", data}}) + "\n").c_str() : render_presence(data).c_str(), stdout);
    }
    std::fflush(stdout);
  }
  void found(const verdict::Finding& finding, bool is_over) {
    if (!command_.follow) return;
    json data = finding;
    if (command_.json)
      std::puts(json_line({{"event", is_over ? "finding_over" : "finding"}, {"data", data}}).c_str());
    else
      std::fputs(((is_over ? "over:\n" : "") + render_findings(json::array({data}))).c_str(), stdout);
    std::fflush(stdout);
  }
  json as_json() const { return {{"cameras", roll_.entries()}, {"strangers", roll_.strangers()}, {"findings", findings()}, {"watching", json::array()}}; }
  void clear_line() { line_.clear(); }

 private:
  const Command& command_;
  round::Roll roll_;
  ProgressLine line_;
  round::Watch* watch_ = nullptr;  // the roll's; outlives the keeper's use of it
};

class Alone {
 public:
  Alone(const Command& command, asio::io_context& context) : command_(command), context_(context) {}
  ~Alone() { blocking_.join(); }

  std::optional<Fault> prepare() {
    auto secrets = config::load_secrets(command_.secrets);
    if (!secrets.faults.empty()) return Fault{FaultKind::bad_request, secrets.faults.front(), command_.secrets, ""};
    secrets_ = std::move(secrets.secrets);
    if (round::Asks::knows(command_.name)) return command_.design.empty() ? std::nullopt : load();
    if (command_.name == "accept")
      return Fault{FaultKind::bad_request, "accepting needs the service: it keeps the record", "", "leave out --alone"};
    if (command_.design.empty() || command_.interfaces.empty())
      return Fault{FaultKind::bad_request, "--alone needs --design FILE and --interface IF here", "", "or leave out --alone and ask the service"};
    if (auto fault = load()) return fault;
    const auto unknown = round::unknown_cameras(*design_, {command_.name, command_.cameras});
    if (!unknown.empty()) return Fault{FaultKind::bad_request, "the design knows no camera “" + unknown.front() + "”", command_.design, ""};
    return std::nullopt;
  }

  asio::awaitable<int> run() {
    int code = exit_unread;
    if (round::Asks::knows(command_.name))
      code = co_await ask();
    else if (command_.name == "arrivals")
      code = co_await arrivals();
    else if (command_.name == "bench")
      code = co_await bench();
    else
      code = co_await round();
    co_return code;
  }

  void interrupt() { stop_.request(); }

 private:
  std::optional<Fault> load() {
    auto design = config::load_design(command_.design);
    for (const auto& fault : design.faults) std::fprintf(stderr, "%s\n", fault.sentence().c_str());
    if (!design.design) return Fault{FaultKind::bad_request, "the design has faults", command_.design, "mend what is listed above"};
    design_ = std::move(*design.design);
    return std::nullopt;
  }

  asio::awaitable<int> ask() {
    ProgressLine line(command_.json);
    round::Asks asks(secrets_, blocking_, design_ ? &*design_ : nullptr);
    round::AskProgress progress = [&line](double done, double total, const std::string& text) { line.show(done, total, text); };
    auto answer = co_await asks.carry_out(command_.name, command_.arguments, std::move(progress), stop_);
    line.clear();
    print_answer(command_, answer.answer);
    co_return answer.exit_code;
  }

  Outcome<void> start_watch(Keeper& keeper) {
    watch_ = std::make_unique<round::Watch>(
        context_.get_executor(), *design_, keeper.own_roll(), command_.interfaces,
        round::WatchListener{[&keeper](const round::Changes& changes) { keeper.changed(changes); },
                             [](const round::WatchedInterface& w) {
                               if (w.state != "listening" || !w.note.empty())
                                 std::fprintf(stderr, "interface %s is %s%s%s\n", w.interface.c_str(), w.state.c_str(), w.note.empty() ? "" : ": ", w.note.c_str());
                             },
                             [&keeper](const verdict::Finding& finding, bool is_over) { keeper.found(finding, is_over); }});
    keeper.keep(watch_.get());
    return watch_->start();
  }

  asio::awaitable<int> arrivals() {
    Keeper keeper(*design_, command_);
    if (auto started = start_watch(keeper); !started) co_return fail(command_, started.error());
    if (!command_.sweep.empty()) {
      auto begun = watch_->sweep(command_.sweep, command_.sweep_rate > 0 ? command_.sweep_rate : round::Sweep::usual_rate_per_s, "");
      if (!begun) co_return fail(command_, begun.error());
    }
    const double seconds = command_.seconds > 0 ? command_.seconds : command_.follow ? 1e9 : listen_s;
    const auto end = std::chrono::steady_clock::now() + std::chrono::duration<double>(seconds);
    const auto sweeps = [this] { return !watch_->sweep().is_null() && watch_->sweep().at("ended").is_null(); };
    while (!stop_.requested() && (std::chrono::steady_clock::now() < end || sweeps())) co_await pause_for(100ms);
    watch_->stop();
    if (!command_.follow) print_answer(command_, command_.asked ? watch_->asked() : command_.units ? json::parse(watch_->units()) : keeper.as_json());
    co_return exit_met;
  }

  asio::awaitable<int> bench() {
    Keeper keeper(*design_, command_);
    if (auto started = start_watch(keeper); !started) co_return fail(command_, started.error());
    round::RealInstruments instruments(secrets_, blocking_);
    round::Bench bench(context_.get_executor(), {*design_, keeper.roll(), instruments, [this] { return watch_->starts(); }, now_utc(), {}});
    if (auto begun = bench.start(command_.cameras); !begun) co_return fail(command_, begun.error());
    BenchScreen screen(command_);
    while (screen.goes_on() && !stop_.requested()) {
      screen.show(bench.answer(now_utc()));
      for (int i = 0; i < 10 && screen.goes_on() && !stop_.requested(); ++i) co_await pause_for(100ms);
    }
    const int code = screen.finish(bench.answer(now_utc()));
    bench.end();
    co_await bench.join();
    watch_->stop();
    co_return code;
  }

  asio::awaitable<int> round() {
    Keeper keeper(*design_, command_);
    if (auto started = start_watch(keeper); !started) co_return fail(command_, started.error());
    round::RealInstruments instruments(secrets_, blocking_);
    instruments.set_far_end(design_->far_end);
    instruments.set_kept_free(design_->limits.volume_kept_free_ratio);
    instruments.set_interfaces(command_.interfaces);
    round::LinkRoom room;
    round::Runner runner(*design_, keeper, instruments, room, keeper, stop_);
    round::RoundOrder order{command_.night ? "night" : command_.name == "prove" ? "prove" : "round", command_.cameras};
    auto document = co_await runner.run(std::move(order));
    document["round"] = 0;
    watch_->stop();
    keeper.clear_line();
    if (command_.name == "headroom") {
      json answer = {{"round", 0}, {"uplinks", document.at("headroom")}};
      print_answer(command_, answer);
    } else {
      print_answer(command_, document);
    }
    co_return document.at("exit_code").get<int>();
  }

  const Command& command_;
  asio::io_context& context_;
  asio::thread_pool blocking_{4};
  config::Secrets secrets_;
  std::optional<config::Design> design_;
  std::unique_ptr<round::Watch> watch_;
  Stop stop_;
};

}  // namespace

int run_alone(const Command& command) {
  spdlog::set_level(spdlog::level::off);  // what happens is told by the answer
  asio::io_context context(1);
  Alone work(command, context);
  if (const auto fault = work.prepare()) return fail(command, *fault);
  return drive(context, work.run(), [&work] { work.interrupt(); });
}

}  // namespace tallywire::client
