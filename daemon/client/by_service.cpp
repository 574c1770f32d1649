// Commands that the service carries out.
#include "daemon/api/client.hpp"
#include "daemon/client/bench_screen.hpp"
#include "daemon/client/commands.hpp"
#include "daemon/client/drive.hpp"
#include "daemon/client/output.hpp"
#include "daemon/client/progress.hpp"
#include "daemon/client/render.hpp"
#include "daemon/sheet/witnessed.hpp"
#include "probes/deadline.hpp"
#include "probes/reading.hpp"

#include <boost/asio/io_context.hpp>

#include <algorithm>
#include <cstdio>

namespace tallywire::client {

namespace asio = boost::asio;
using nlohmann::json;
using namespace std::chrono_literals;

namespace {

constexpr auto answer_limit = 40s;  // an ask is waited for 1 s at a time; the service itself has its limits
constexpr auto longest_round = std::chrono::hours(12);

class ByService {
 public:
  explicit ByService(const Command& command) : command_(command), line_(command.json) {}

  asio::awaitable<int> run() {
    int code = exit_unread;
    if (command_.name == "round" || command_.name == "prove")
      code = co_await round();
    else if (command_.name == "arrivals")
      code = co_await arrivals();
    else if (command_.name == "bench")
      code = co_await bench();
    else if (command_.name == "headroom")
      code = co_await headroom();
    else if (command_.name == "accept")
      code = co_await accept();
    else if (command_.name == "volume" && !command_.arguments.contains("path"))
      code = co_await days_held();
    else if (command_.name == "tap" && command_.follow)
      code = co_await follow_tap();
    else
      code = co_await ask();
    co_return code;
  }

  // The first Ctrl-C ends the work cleanly; what was read is still told.
  void interrupt() {
    if (!command_.json && !stop_.requested()) {
      line_.clear();
      std::fputs("Ending; what was read is kept …\n", stderr);
    }
    stop_.request();
  }

 private:
  asio::awaitable<Outcome<json>> call(std::string method, std::string target, json body = nullptr) {
    auto answer = co_await api::ask_service(command_.socket, std::move(method), std::move(target), std::move(body), answer_limit);
    if (!answer) co_return answer.error();
    Outcome<json> out(boost::system::in_place_value, std::move(answer->body));
    co_return out;
  }

  asio::awaitable<int> round() {
    const char* kind = command_.night ? "night" : command_.name == "prove" ? "prove" : "round";
    json order = {{"kind", kind}, {"cameras", command_.cameras}};
    auto started = co_await call("POST", "/api/rounds", std::move(order));
    if (!started) co_return fail(command_, started.error());
    const auto id = started->at("round").get<std::int64_t>();
    auto watched = co_await watch(id);
    line_.clear();
    if (!watched) co_return fail(command_, watched.error());
    auto document = co_await call("GET", "/api/rounds/" + std::to_string(id));
    if (!document) co_return fail(command_, document.error());
    if (document->at("counts").is_null()) {
      auto service = co_await call("GET", "/api/service");
      json told = json::object();
      if (service) told = *service;
      co_return fail(command_, without_result(*document, told));
    }
    print_answer(command_, *document);
    const auto code = document->find("exit_code");
    co_return code != document->end() && code->is_number() ? code->get<int>() : exit_unread;
  }

  // Of a round that is over, and of which the record has no result (yet).
  static Fault without_result(const json& document, const json& service) {
    const auto number = document.at("round").dump();
    if (document.at("state") != "running")
      return {FaultKind::system, "round " + number + " was broken off", "", "look for the reason in the service's log; its readings are kept"};
    const auto fault = service.find("record_fault");
    const bool known = fault != service.end() && fault->is_string();
    return {FaultKind::system, "round " + number + " has ended but could not be kept yet" + (known ? ": " + fault->get<std::string>() : ""), "",
            "make room on the disk under the record: the service tries again every 5 s, and then the page shows the round"};
  }

  // Follows the round to its end, a second of the feed at a time, so that Ctrl-C is heard.
  asio::awaitable<Outcome<bool>> watch(std::int64_t id) {
    bool told_to_end = false, ended = false;
    std::optional<std::int64_t> after;
    while (!ended) {
      if (stop_.requested() && !told_to_end) {
        told_to_end = true;
        auto cancelled = co_await call("DELETE", "/api/rounds/" + std::to_string(id));
      }
      api::OnEvent on_event = [this, id, &ended](const std::string& name, const json& data) {
        if (data.value("round", std::int64_t{0}) != id) return true;
        if (name == "round_progress")
          line_.show(data.value("done_s", 0.0), data.value("planned_s", 0.0), data.value("text", ""));
        if (name == "round_started" || name == "round_planned") tell_plan(data);
        ended = ended || name == "round_ended";
        return !ended;
      };
      auto followed = co_await api::follow_events(command_.socket, after, std::move(on_event), told_to_end ? 1s : 5s, told_to_end ? to_the_end_ : stop_);
      if (!followed) co_return followed.error();
      // The end may have been told between two looks at the feed: the service knows.
      auto service = co_await call("GET", "/api/service");
      if (!service) co_return service.error();
      const auto& running = service->at("rounds_running");
      ended = ended || std::find(running.begin(), running.end(), json(id)) == running.end();
    }
    co_return true;
  }

  void tell_plan(const json& data) {
    if (command_.json) return;
    line_.clear();
    std::fprintf(stderr, "About %.0f s: %s.\n", data.value("planned_s", 0.0), data.value("plan", "").c_str());
  }

  asio::awaitable<int> arrivals() {
    if (!command_.sweep.empty()) {
      auto swept = co_await sweep();
      if (!swept) co_return fail(command_, swept.error());
    }
    auto roll = co_await call("GET", command_.asked ? "/api/asked" : command_.units ? "/api/units" : "/api/roll");
    if (!roll) co_return fail(command_, roll.error());
    if (!command_.follow) {
      print_answer(command_, *roll);
      co_return exit_met;
    }
    if (!command_.json) std::fputs(render_roll(*roll).c_str(), stdout);
    std::fflush(stdout);
    const auto end = std::chrono::steady_clock::now() + std::chrono::duration<double>(command_.seconds > 0 ? command_.seconds : 1e9);
    std::optional<std::int64_t> after;
    while (!stop_.requested() && std::chrono::steady_clock::now() < end) {
      api::OnEvent on_event = [this, end](const std::string& name, const json& data) {
        if (name == "presence" || name == "stranger" || name == "interface" || name == "finding" || name == "finding_over") tell(name, data);
        return !stop_.requested() && std::chrono::steady_clock::now() < end;
      };
      const auto left = std::chrono::duration_cast<std::chrono::milliseconds>(end - std::chrono::steady_clock::now());
      auto followed = co_await api::follow_events(command_.socket, after, std::move(on_event), std::min<std::chrono::milliseconds>(left + 1ms, longest_round), stop_);
      if (!followed) co_return fail(command_, followed.error());
    }
    co_return exit_met;
  }

  // Until the last answer may have come. Ctrl-C ends the asking.
  asio::awaitable<Outcome<void>> sweep() {
    json order = {{"range", command_.sweep}, {"interface", command_.interfaces.empty() ? "" : command_.interfaces.front()}};
    if (command_.sweep_rate > 0) order["rate_addresses_per_s"] = command_.sweep_rate;
    auto state = co_await call("POST", "/api/sweep", std::move(order));
    while (state && state->at("ended").is_null()) {
      const double done = state->at("asked_addresses"), all = state->at("addresses_in_all"), rate = state->at("rate_addresses_per_s");
      line_.show(done / rate, all / rate, "asking " + command_.sweep);
      if (stop_.requested()) {
        state = co_await call("DELETE", "/api/sweep");
      } else {
        co_await pause_for(200ms);
        state = co_await call("GET", "/api/sweep");
      }
    }
    line_.clear();
    Outcome<void> out;
    if (!state) out = state.error();
    co_return out;
  }

  asio::awaitable<int> bench() {
    json order = {{"cameras", command_.cameras}};
    auto answer = co_await call("POST", "/api/bench", std::move(order));
    if (!answer) co_return fail(command_, answer.error());
    const json own = answer->at("bench");
    BenchScreen screen(command_);
    while (answer && answer->at("bench") == own && screen.goes_on() && !stop_.requested()) {
      screen.show(*answer);
      for (int i = 0; i < 10 && screen.goes_on() && !stop_.requested(); ++i) co_await pause_for(100ms);
      answer = co_await call("GET", "/api/bench");
    }
    if (!answer) co_return fail(command_, answer.error());
    const int code = screen.finish(*answer);
    if (answer->at("bench") == own) {
      auto ended = co_await call("DELETE", "/api/bench");
    } else {
      std::fputs("tallywire: somebody else began or ended a bench, which ended this one\n", stderr);
    }
    co_return code;
  }

  void tell(const std::string& name, const json& data) {
    if (command_.json) {
      std::puts(json_line({{"event", name}, {"data", data}}).c_str());
    } else if (name == "presence") {
      std::fputs(render_presence(data).c_str(), stdout);
    } else if (name == "stranger") {
      std::printf("%s  a stranger  %s  %s  %s  %s\n", data.value("at", "").c_str(), data.value("hardware_address", "").c_str(),
                  data.value("address", "").c_str(), data.value("name", "").c_str(), data.value("maker", "").c_str());
    } else if (name == "finding" || name == "finding_over") {
      std::printf("%s  %s%s.\n", data.value("at", "").c_str(), name == "finding" ? "" : "over: ", data.value("sentence", "").c_str());
      if (name == "finding") std::printf("    Try: %s.\n", data.value("next_step", "").c_str());
    } else {
      std::printf("%s  interface %s is %s  %s\n", data.value("at", "").c_str(), data.value("interface", "").c_str(),
                  data.value("state", "").c_str(), data.value("note", "").c_str());
    }
    std::fflush(stdout);
  }

  asio::awaitable<int> headroom() {
    auto answer = co_await call("GET", "/api/headroom");
    if (!answer) co_return fail(command_, answer.error());
    print_answer(command_, *answer);
    bool missed = false, unread = answer->at("uplinks").empty();
    for (const auto& row : answer->at("uplinks")) {
      unread = unread || !row.at("unread").is_null();
      const auto over = [&](const char* what, const char* limit) { return !row.at(what).is_null() && row.at(what) > row.at(limit); };
      missed = missed || over("measured_bps", "ceiling_bps") || over("busiest_bps", "speed_bps");
    }
    co_return missed ? exit_missed : unread ? exit_unread : exit_met;
  }

  asio::awaitable<int> days_held() {
    auto answer = co_await call("GET", "/api/days_held");
    if (!answer) co_return fail(command_, answer.error());
    print_answer(command_, *answer);
    bool missed = false, unread = answer->at("stores").empty();
    for (const auto& row : answer->at("stores")) {
      unread = unread || row.at("days_held_days").is_null();
      missed = missed || row.at("falls_short") == "now";
    }
    co_return missed ? exit_missed : unread ? exit_unread : exit_met;
  }

  // The days that this volume holds, where it is one of the design's and a round has read them.
  asio::awaitable<void> add_days_held(json& answer) {
    auto all = co_await call("GET", "/api/days_held");
    if (!all || !answer.is_object()) co_return;
    for (const auto& row : all->at("stores"))
      if (row.at("path") == command_.arguments.at("path") && row.at("on_far_end") == false) answer["days_held"] = row;
  }

  asio::awaitable<int> accept() {
    if (auto named = sheet::check_name(command_.by); !named) co_return fail(command_, named.error());
    auto list = co_await call("GET", "/api/rounds?limit=1000");
    if (!list) co_return fail(command_, list.error());
    for (const auto& head : list->at("rounds")) {
      if (command_.round > 0 ? head.at("round") != command_.round : head.at("state") != "complete" || head.at("kind") == "prove") continue;
      json body = {{"by", command_.by}};
      auto done = co_await call("POST", "/api/rounds/" + head.at("round").dump() + "/accept", std::move(body));
      if (!done) co_return fail(command_, done.error());
      if (command_.json)
        print_json(*done);
      else
        std::printf("Round %s is accepted by %s.\n", head.at("round").dump().c_str(), command_.by.c_str());
      co_return exit_met;
    }
    std::string none = "there is no complete round of the whole site";
    if (command_.round > 0) none = "there is no round " + std::to_string(command_.round);
    co_return fail(command_, {FaultKind::bad_request, none, "", "run `tallywire round` first"});
  }

  // Of a tap that the service holds: the table of each second.
  asio::awaitable<int> follow_tap() {
    const std::string target = "/api/tap/live?interface=" + command_.interfaces.front();
    const auto end = std::chrono::steady_clock::now() + std::chrono::duration<double>(command_.seconds > 0 ? command_.seconds : 1e9);
    while (!stop_.requested() && std::chrono::steady_clock::now() < end) {
      auto table = co_await call("GET", target);
      if (!table) co_return fail(command_, table.error());
      print_tap_table(command_, *table);
      for (int i = 0; i < 10 && !stop_.requested() && std::chrono::steady_clock::now() < end; ++i) co_await pause_for(100ms);
    }
    co_return exit_met;
  }

  asio::awaitable<int> ask() {
    json order = {{"command", command_.name}, {"arguments", command_.arguments}};
    auto started = co_await call("POST", "/api/asks", std::move(order));
    if (!started) co_return fail(command_, started.error());
    const std::string target = "/api/asks/" + started->at("ask").dump();
    bool told_to_end = false;
    for (;;) {
      if (stop_.requested() && !told_to_end) {
        told_to_end = true;
        auto cancelled = co_await call("DELETE", target);
      }
      auto state = co_await call("GET", target + "?wait_s=1");
      if (!state) co_return fail(command_, state.error());
      if (state->at("state") == "done") {
        line_.clear();
        json answer = state->at("answer");
        if (command_.name == "volume") co_await add_days_held(answer);
        print_answer(command_, answer);
        co_return state->at("exit_code").get<int>();
      }
      const auto& p = state->at("progress");
      line_.show(p.at("done_s"), p.at("total_s"), p.at("text"));
    }
  }

  const Command& command_;
  ProgressLine line_;
  Stop stop_, to_the_end_;  // the second is never requested: for following what was told to end
};

}  // namespace

int run_by_service(const Command& command) {
  asio::io_context context(1);
  ByService work(command);
  return drive(context, work.run(), [&work] { work.interrupt(); });
}

}  // namespace tallywire::client
