// `tallywire witness`: the points that only a person can confirm: which are open, and who confirms or takes back which.
#include "daemon/client/ask_once.hpp"
#include "daemon/client/commands.hpp"
#include "daemon/client/output.hpp"
#include "daemon/client/table.hpp"
#include "daemon/sheet/witnessed.hpp"

#include <CLI/CLI.hpp>

#include <algorithm>
#include <cstdio>
#include <set>

namespace tallywire::client {

using nlohmann::json;

namespace {

std::string argument(const Command& command, const char* key) { return command.arguments.value(key, std::string()); }

bool is_below(const std::string& subject, const std::string& whole) { return subject == whole || subject.rfind(whole + "/", 0) == 0; }

// What `given` is short for among the subjects that have points: "gate-north", "gate-north/1", "sw-yard", "site", or written out.
Outcome<std::string> subject_of(const json& points, const std::string& given) {
  std::set<std::string> wanted = {given, "camera/" + given, "switch/" + given}, found;
  if (const auto slash = given.find('/'); slash != std::string::npos) wanted.insert("camera/" + given.substr(0, slash) + "/head/" + given.substr(slash + 1));
  for (const auto& point : points)
    for (const auto& subject : wanted)
      if (is_below(point.at("subject").get<std::string>(), subject)) found.insert(subject);
  if (found.size() == 1) return *found.begin();
  std::string all;
  for (const auto& one : found) all += (all.empty() ? "" : ", ") + one;
  if (found.empty()) return Fault{FaultKind::bad_request, "nothing is to be witnessed of this", given, "see `tallywire witness` for what there is"};
  return Fault{FaultKind::bad_request, "the name is short for more than one", given, "write it out: " + all};
}

std::string row_state(const json& point) {
  const auto& seen = point.at("witnessed");
  if (!seen.is_null()) return "witnessed by " + text_of(seen, "by") + ", " + text_of(seen, "at");
  return point.at("undone").is_null() ? "open" : "open: taken back by " + text_of(point.at("undone"), "by") + ", " + text_of(point.at("undone"), "at");
}

int show(const Command& command, const json& points) {
  std::size_t open = 0;
  for (const auto& point : points) open += point.at("witnessed").is_null();
  if (command.json) {
    print_json({{"points", points}, {"open", open}});
  } else {
    Table table;
    table.row({"subject", "point", "what", "state"});
    for (const auto& point : points) table.row({text_of(point, "subject"), text_of(point, "point"), text_of(point, "text"), row_state(point)});
    std::fputs(table.text().c_str(), stdout);
    std::printf("%zu of %zu points are witnessed.\n", points.size() - open, points.size());
  }
  return open == 0 ? exit_met : exit_unread;
}

int tell(const Command& command, const std::vector<std::pair<std::string, std::string>>& points) {
  json told = json::array();
  for (const auto& [subject, point] : points) {
    auto answer = ask_once(command.socket, "POST", "/api/witnesses",
                           {{"subject", subject}, {"point", point}, {"by", command.by}, {"note", argument(command, "note")}, {"undone",
                               command.arguments.contains("undo")}});
    if (!answer) return fail(command, answer.error());
    if (!command.json)
      std::printf("%s, %s: %s by %s.\n", subject.c_str(), point.c_str(), command.arguments.contains("undo") ? "taken back" : "witnessed", command.by.c_str());
    told.push_back(std::move(*answer));
  }
  if (command.json) print_json({{"witnesses", told}});
  return exit_met;
}

}  // namespace

void add_witness(CLI::App& app, Command& c) {
  auto* witness = app.add_subcommand("witness", "points that only a person can confirm: list them, confirm one, take one back");
  witness->footer("Exit: 0 told, or all points are witnessed; 2 wrong request; 3 listed, and some are open; or nobody answers.\n"
                  "  tallywire witness\n  tallywire witness gate-north lanyard --by \"A. Tester\"\n  tallywire witness --all-of gate-north --by \"A. Tester\"");
  const auto put = [&c, witness](const char* option, const char* key, const char* help) {
    return witness->add_option_function<std::string>(option, [&c, key](const std::string& value) { c.arguments[key] = value; }, help);
  };
  put("subject", "subject", "gate-north, gate-north/1 (a head), sw-yard, site; alone: list its points");
  auto* point = put("point", "point", "id of the point");
  put("--all-of", "all_of", "every open point of this subject and of what is part of it")->excludes(point);
  witness->add_option("--by", c.by, "who has seen it");
  put("--note", "note", "a remark, for the sheet");
  witness->add_flag_callback("--undo", [&c] { c.arguments["undo"] = true; }, "take it back; it stays in the record that it was said");
  witness->add_flag("--json", c.json, "answer one JSON object on the output stream");
  witness->add_option("--socket", c.socket, "the service's Unix socket")->capture_default_str();
}

int witness_command(const Command& command) {
  const auto given = argument(command, "subject"), point = argument(command, "point"), all_of = argument(command, "all_of");
  const bool tells = !point.empty() || !all_of.empty();
  if (tells && command.by.empty()) return fail(command, {FaultKind::bad_request, "who has seen it?", "", "give a name: --by “A. Tester”"});
  if (!tells && (command.arguments.contains("undo") || command.arguments.contains("note") || !command.by.empty()))
    return fail(command, {FaultKind::bad_request, "which point?", given, "give SUBJECT POINT, or --all-of SUBJECT"});
  if (!all_of.empty() && !given.empty()) return fail(command, {FaultKind::bad_request, "a subject and --all-of do not go together", given, "give one of them"});
  if (tells)
    if (auto named = sheet::check_name(command.by); !named) return fail(command, named.error());
  auto answer = ask_once(command.socket, "GET", "/api/witness_points");
  if (!answer) return fail(command, answer.error());
  json points = answer->at("points");
  const auto& short_name = all_of.empty() ? given : all_of;
  if (short_name.empty()) return show(command, points);
  auto subject = subject_of(points, short_name);
  if (!subject) return fail(command, subject.error());
  if (!point.empty()) return tell(command, {{*subject, point}});
  json of_subject = json::array();
  for (const auto& one : points)
    if (is_below(one.at("subject").get<std::string>(), *subject)) of_subject.push_back(one);
  if (all_of.empty()) return show(command, of_subject);
  std::vector<std::pair<std::string, std::string>> wanted;
  for (const auto& one : of_subject)
    if (one.at("witnessed").is_null() != command.arguments.contains("undo")) wanted.emplace_back(one.at("subject"), one.at("point"));
  if (wanted.empty() && !command.json) std::printf("Nothing of %s is %s.\n", subject->c_str(), command.arguments.contains("undo") ? "witnessed" : "open");
  return tell(command, wanted);
}

}  // namespace tallywire::client
