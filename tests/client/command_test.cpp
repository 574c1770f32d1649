#include "daemon/client/command.hpp"

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
