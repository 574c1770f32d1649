// `tallywire drift`: what differs from the accepted round, or what changed between any two rounds.
#include "daemon/api/client.hpp"
#include "daemon/client/commands.hpp"
#include "daemon/client/drive.hpp"
#include "daemon/client/output.hpp"
#include "daemon/client/table.hpp"
#include "daemon/client/typed.hpp"
#include "probes/reading.hpp"

#include <CLI/CLI.hpp>
#include <boost/asio/io_context.hpp>

#include <cstdio>

namespace tallywire::client {

namespace asio = boost::asio;
using nlohmann::json;

namespace {

constexpr auto answer_limit = std::chrono::seconds(120);  // the first one after `accept` reads up to 60 rounds

std::string render(const json& rows, bool with_nights) {
  Table table;
  for (const auto& row : rows) {
    std::vector<std::string> cells = {row.at("aspect").get<std::string>(), row.at("text").get<std::string>()};
    const int nights = row.at("nights");
    if (with_nights) cells.insert(cells.begin() + 1, std::to_string(nights) + (nights == 1 ? " night" : " nights"));
    table.row(std::move(cells));
  }
  return table.text();
}

void print(const Command& command, const json& answer) {
  if (command.json) return print_json(answer);
  if (answer.contains("changes")) {
    const auto& rows = answer.at("changes");
    std::printf("Round %s against round %s: %zu changes.\n%s", answer.at("round").dump().c_str(), answer.at("since").dump().c_str(), rows.size(), render(rows, false).c_str());
    return;
  }
  const auto& rows = answer.at("drift");
  if (answer.at("accepted").is_null())
    std::puts("No round is accepted yet: type `tallywire accept --by NAME` when one is as it should be.");
  else if (answer.at("round").is_null())
    std::printf("Round %s is accepted, and no later round of the whole site is complete.\n", answer.at("accepted").dump().c_str());
  else if (rows.empty())
    std::printf("Round %s: nothing differs from the accepted round %s.\n", answer.at("round").dump().c_str(), answer.at("accepted").dump().c_str());
  else
    std::printf("Round %s against the accepted round %s:\n%s", answer.at("round").dump().c_str(), answer.at("accepted").dump().c_str(), render(rows, true).c_str());
}

asio::awaitable<int> ask(const Command& command) {
  std::string target = "/api/drift";
  if (command.round > 0) target = "/api/rounds/" + std::to_string(command.round) + "/changes?since=" + std::to_string(command.since);
  auto answer = co_await api::ask_service(command.socket, "GET", target, nullptr, answer_limit);
  if (!answer) co_return fail(command, answer.error());
  print(command, answer->body);
  if (command.round > 0) co_return answer->body.at("changes").empty() ? exit_met : exit_missed;
  if (answer->body.at("accepted").is_null() || answer->body.at("round").is_null()) co_return exit_unread;
  co_return answer->body.at("drift").empty() ? exit_met : exit_missed;
}

}  // namespace

void add_drift(CLI::App& app, Command& c) {
  auto* drift = app.add_subcommand("drift", "what differs from the accepted round");
  drift->footer("Exit: 0 nothing; 1 something differs; 2 wrong request; 3 nothing is accepted, or no later round.\n"
                "  tallywire drift\n  tallywire drift --round 41 --since 7");
  auto* round = add_round_number(*drift, "--round", [&c](std::int64_t id) { c.round = id; }, "what changed in this round …");
  auto* since = add_round_number(*drift, "--since", [&c](std::int64_t id) { c.since = id; }, "… since that one")->needs(round);
  round->needs(since);
  drift->add_flag("--json", c.json, "answer one JSON object on the output stream");
  drift->add_option("--socket", c.socket, "the service's Unix socket")->capture_default_str();
}

int run_drift(const Command& command) {
  asio::io_context context(1);
  return drive(context, ask(command), [&context] { context.stop(); });
}

}  // namespace tallywire::client
