#include "daemon/client/command.hpp"

#include "daemon/client/typed.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::client;

namespace {

std::variant<Command, int> parse(std::vector<std::string> words) {
  words.insert(words.begin(), "tallywire");
  std::vector<char*> argv;
  for (auto& word : words) argv.push_back(word.data());
  return parse_command(static_cast<int>(argv.size()), argv.data());
}

}  // namespace

TEST_CASE("what a person types becomes the command with its arguments") {
  const auto stream = std::get<Command>(parse({"stream", "rtsp://192.0.2.5/main", "--seconds", "3", "--transport", "udp", "--json"}));
  CHECK(stream.name == "stream");
  CHECK(stream.json);
  CHECK(stream.arguments.at("url") == "rtsp://192.0.2.5/main");
  CHECK(stream.arguments.at("seconds") == 3.0);
  const auto prove = std::get<Command>(parse({"prove", "gate-north", "gate-south"}));
  CHECK(prove.cameras == std::vector<std::string>{"gate-north", "gate-south"});
  CHECK(std::get<Command>(parse({"design", "check", "depot.json"})).name == "design check");
  CHECK(std::get<Command>(parse({"round", "--night"})).night);
}

TEST_CASE("a tap on an interface becomes an ask of the service; a file is read here") {
  const auto tap = std::get<Command>(parse({"tap", "--interface", "eth1", "--seconds", "5", "--threads", "2"}));
  CHECK(tap.arguments == nlohmann::json{{"interface", "eth1"}, {"seconds", 5.0}, {"threads", 2}});
  CHECK(std::get<Command>(parse({"tap", "--interface", "eth1"})).arguments == nlohmann::json{{"interface", "eth1"}});
  CHECK(std::get<Command>(parse({"tap", "mirror.pcap", "--design", "depot.json"})).arguments.empty());
  CHECK(std::get<int>(parse({"tap"})) == 2);
  CHECK(std::get<int>(parse({"tap", "mirror.pcap", "--interface", "eth1"})) == 2);
  // The service has a design of its own.
  CHECK(std::get<int>(parse({"tap", "--interface", "eth1", "--design", "depot.json"})) == 2);
  CHECK(std::get<Command>(parse({"tap", "--interface", "eth1", "--design", "depot.json", "--alone"})).design == "depot.json");
}

TEST_CASE("a wrong request ends with 2, help with 0 (exit codes of docs/commands.md)") {
  CHECK(std::get<int>(parse({"stream"})) == 2);
  CHECK(std::get<int>(parse({"dance"})) == 2);
  CHECK(std::get<int>(parse({"stream", "rtsp://192.0.2.5/", "--seconds", "soon"})) == 2);
  CHECK(std::get<int>(parse({"prove"})) == 2);
  CHECK(std::get<int>(parse({"--help"})) == 0);
}

TEST_CASE("the bench takes cameras or none, and a time") {
  const auto bench = std::get<Command>(parse({"bench", "quad", "yard", "--seconds", "30", "--json", "--follow"}));
  CHECK(bench.cameras == std::vector<std::string>{"quad", "yard"});
  CHECK(bench.seconds == 30);
  CHECK(bench.follow);
  CHECK(std::get<Command>(parse({"bench"})).cameras.empty());
  CHECK(std::get<int>(parse({"bench", "--seconds", "0"})) == 2);
}

TEST_CASE("the number of a round is a whole one from 1 on; anything else is said in a short sentence") {
  CHECK(std::get<Command>(parse({"accept", "--by", "A", "--round", "12"})).round == 12);
  CHECK(std::get<Command>(parse({"sheet", "--out", "x", "--round", "12"})).arguments.at("round") == 12);
  const auto drift = std::get<Command>(parse({"drift", "--round", "12", "--since", "7"}));
  CHECK(drift.round == 12);
  CHECK(drift.since == 7);
  CLI::App app;
  add_round_number(app, "--round", [](std::int64_t) {}, "");
  for (const char* wrong : {"x", "-1", "0", "1.5", "12x", "", " 3", "99999999999999999999"}) {
    for (std::vector<std::string> words : {std::vector<std::string>{"accept", "--by", "A", "--round", wrong}, {"sheet", "--out", "x", "--round", wrong},
                                           {"drift", "--round", wrong, "--since", "7"}, {"drift", "--round", "7", "--since", wrong}})
      CHECK(std::get<int>(parse(words)) == 2);
    try {
      app.parse(std::vector<std::string>{wrong, "--round"});  // the parser takes them from the back
      FAIL("taken: " << wrong);
    } catch (const CLI::ParseError& error) {
      CHECK(std::string(error.what()) == "--round: the number of a round is asked, such as 12; the page lists them");
    }
  }
}

TEST_CASE("a word that is no command is named") {
  CLI::App app("", "tallywire");
  app.require_subcommand(1);
  auto* record = app.add_subcommand("record");
  record->require_subcommand(1);
  record->add_subcommand("copy");
  app.add_subcommand("prove");
  const auto said = [&app](std::vector<const char*> words) {
    words.insert(words.begin(), "tallywire");
    return unknown_command(app, static_cast<int>(words.size()), words.data());
  };
  CHECK(said({"foo"}) == "tallywire: there is no command foo; see tallywire --help");
  CHECK(said({"foo", "prove"}) == "tallywire: there is no command foo; see tallywire --help");
  CHECK(said({"record", "foo"}) == "tallywire record: there is no command foo; see tallywire record --help");
  for (const auto& right : {std::vector<const char*>{}, {"prove"}, {"prove", "foo"}, {"record", "copy", "foo"}, {"--help"}, {"record", "--help"}}) CHECK(said(right).empty());
  CHECK(std::get<int>(parse({"foo"})) == 2);
  CHECK(std::get<int>(parse({"design", "foo"})) == 2);
}
