// `tallywire sheet`: the hand-over sheet as HTML and PDF, and whether a sheet is still what it was.
#include "config/text_file.hpp"
#include "daemon/client/ask_once.hpp"
#include "daemon/client/browser.hpp"
#include "daemon/client/commands.hpp"
#include "daemon/client/output.hpp"
#include "daemon/client/stop_signals.hpp"
#include "daemon/client/table.hpp"
#include "daemon/client/typed.hpp"
#include "daemon/sheet/sheet.hpp"

#include <CLI/CLI.hpp>

#include <cerrno>
#include <cstdio>
#include <cstring>
#include <filesystem>
#include <fstream>

namespace tallywire::client {

using nlohmann::json;

namespace {

constexpr std::chrono::minutes printing_limit{10};  // 426 pages of 500 units take minutes on a busy machine

std::string argument(const Command& command, const char* key) { return command.arguments.value(key, std::string()); }

std::string percent_encoded(const std::string& text) {
  std::string out;
  char octet[4];
  for (const unsigned char c : text) {
    std::snprintf(octet, sizeof octet, "%%%02X", c);
    out += octet;
  }
  return out;
}

// Never over a file that somebody may have signed.
Outcome<void> check_new(const std::string& path) {
  std::error_code code;
  if (path.empty() || !std::filesystem::exists(path, code)) return {};
  return Fault{FaultKind::bad_request, "the file is there already", path, "name another one, or move it away"};
}

Outcome<void> write_file(const std::string& path, const std::string& text) {
  const auto cannot = [&path] {
    return Fault{FaultKind::system, std::string("the sheet cannot be written: ") + std::strerror(errno), path, "check the directory and the free space"};
  };
  std::FILE* out = std::fopen(path.c_str(), "wbx");  // x: also when it came since the look, or is a link to nowhere
  if (!out) return cannot();
  const bool written = std::fwrite(text.data(), 1, text.size(), out) == text.size();
  if (std::fclose(out) == 0 && written) return {};
  const auto fault = cannot();
  std::remove(path.c_str());  // half a sheet is none
  return fault;
}

int make_sheet(const Command& command) {
  const auto pdf = argument(command, "pdf");
  for (const auto& path : {command.out, pdf})
    if (auto fresh = check_new(path); !fresh) return fail(command, fresh.error());
  std::string browser;
  if (!pdf.empty()) {
    auto found = find_browser(argument(command, "browser"));
    if (!found) return fail(command, found.error());
    browser = *found;
  }
  std::string target = "/api/sheet?as=data&by=" + percent_encoded(command.by);
  if (command.arguments.contains("round")) target += "&round=" + command.arguments.at("round").dump();
  auto data = ask_once(command.socket, "GET", target);
  if (!data) return fail(command, data.error());
  if (!data->is_object()) return fail(command, {FaultKind::malformed, "the service's answer is no sheet", command.socket,
      "are command and service of one version?"});
  (*data)["tallywire"] = TALLYWIRE_VERSION;
  (*data)["page_layout"] = sheet::page_layout;
  const auto html = sheet::render(*data);
  if (!command.out.empty())
    if (auto written = write_file(command.out, html); !written) return fail(command, written.error());
  if (!pdf.empty()) {
    listen_for_stop();
    if (auto printed = print_to_pdf(browser, html, pdf, printing_limit, stop_asked()); !printed) return fail(command, printed.error());
  }
  const auto sum = sheet::sha256_of(sheet::canonical(*data));
  const auto round = data->at("round").value("round", json());
  if (command.json) {
    print_json({{"round", round}, {"out", command.out.empty() ? json() : json(command.out)}, {"pdf", pdf.empty() ? json() : json(pdf)}, {"sha256", sum},
                {"round_sha256", data->value("round_sha256", json())}});
    return exit_met;
  }
  for (const auto& path : {command.out, pdf})
    if (!path.empty()) std::printf("The sheet of round %s is in %s.\n", round.dump().c_str(), path.c_str());
  std::printf("Sum of its data (SHA-256): %s\n", sum.c_str());
  return exit_met;
}

struct RecordSays {
  std::string state;  // "agrees", "differs", "has_no_such_round", "nobody_to_ask"
  std::string text;
};

RecordSays ask_record(const Command& command, const json& data) {
  const auto& round = data.at("round");
  auto kept = ask_once(command.socket, "GET", "/api/rounds/" + round.value("round", json()).dump());
  if (!kept && kept.error().kind == FaultKind::bad_request) return {"has_no_such_round", "The record has no such round."};
  if (!kept) return {"nobody_to_ask", "There is nobody to ask whether the record agrees: " + kept.error().what + "."};
  if (kept->value("site", json()) != round.value("site", json()))
    return {"has_no_such_round", "The record has no such round: the service that answers keeps another site's."};
  if (sheet::round_sum(*kept) == data.value("round_sha256", json())) return {"agrees", "The record agrees."};
  return {"differs", "The record differs: its round of this number is not the one on the sheet."};
}

int check_sheet(const Command& command) {
  const auto path = argument(command, "check");
  std::ifstream in(path, std::ios::binary | std::ios::ate);
  const auto size = in ? static_cast<std::int64_t>(in.tellg()) : -1;
  std::error_code code;
  if (size < 0 || !std::filesystem::is_regular_file(path, code)) return fail(command, {FaultKind::bad_request, "the file cannot be read", path,
      "check the name and the right to read it"});
  if (size > static_cast<std::int64_t>(sheet::largest_sheet_bytes)) return fail(command, {FaultKind::bad_request, "the file is larger than any sheet",
      path, "give the HTML file that `tallywire sheet --out` wrote"});
  std::string text(static_cast<std::size_t>(size), '\0');
  in.seekg(0);
  if (!in.read(text.data(), size)) return fail(command, {FaultKind::system, "the file could not be read to its end", path, "try again"});
  auto checked = sheet::check(text);
  if (!checked) {
    auto fault = checked.error();
    fault.where = path;
    return fail(command, fault);
  }
  RecordSays record{"nobody_to_ask", ""};
  if (checked->verdict != sheet::Verdict::changed) record = ask_record(command, checked->data);
  const bool changed = checked->verdict == sheet::Verdict::changed || record.state == "differs";
  const char* verdict = changed ? "changed" : checked->verdict == sheet::Verdict::confirmed ? "confirmed" : "only_data";
  if (command.json) {
    print_json({{"verdict", verdict}, {"reason", checked->reason}, {"printed_sha256", checked->printed_sum}, {"reckoned_sha256", checked->reckoned_sum},
                {"made_by_version", checked->made_by_version.empty() ? json() : json(checked->made_by_version)}, {"version", TALLYWIRE_VERSION},
                {"record", record.text.empty() ? json() : json(record.state)}});
  } else {
    const char* lead = changed ? "CHANGED" : checked->verdict == sheet::Verdict::confirmed ? "Confirmed" : "Not checked whole";
    std::printf("%s: %s.\n%s%s", lead, checked->reason.c_str(), record.text.c_str(), record.text.empty() ? "" : "\n");
    std::printf("Sum on the sheet  %s\nSum of its data   %s\n", checked->printed_sum.substr(0, 100).c_str(), checked->reckoned_sum.c_str());
    if (!changed) std::puts("A sum is no signature: hold it against the one that was written down or signed at the hand-over.");
  }
  return changed ? exit_missed : checked->verdict == sheet::Verdict::confirmed ? exit_met : exit_unread;
}

}  // namespace

void add_sheet(CLI::App& app, Command& c) {
  auto* sheet = app.add_subcommand("sheet", "print the hand-over sheet of a round, or check one");
  sheet->footer("Exit: 0 written, or confirmed; 1 with --check: changed; 2 wrong request, or no sheet; 3 it could not be made, or not be checked whole.\n"
                "  tallywire sheet --out depot.html --pdf depot.pdf --by \"A. Tester\"\n  tallywire sheet --check depot.html");
  const auto put = [&c, sheet](const char* option, const char* key, const char* help) {
    return sheet->add_option_function<std::string>(option, [&c, key](const std::string& value) { c.arguments[key] = value; }, help);
  };
  auto* check = put("--check", "check", "is this sheet (HTML) what it was when it was made?");
  sheet->add_option("--out", c.out, "write it here, as HTML that needs nothing else")->excludes(check);
  auto* pdf = put("--pdf", "pdf", "print it here, by a Chromium of this machine")->excludes(check);
  put("--browser", "browser", "with --pdf: this Chromium, instead of the one on the PATH")->needs(pdf);
  add_round_number(*sheet, "--round", [&c](std::int64_t id) { c.arguments["round"] = id; },
      "of this round (the newest complete one of the whole site)")->excludes(check);
  sheet->add_option("--by", c.by, "who makes the sheet")->excludes(check);
  sheet->add_flag("--json", c.json, "answer one JSON object on the output stream");
  sheet->add_option("--socket", c.socket, "the service's Unix socket")->capture_default_str();
}

int sheet_command(const Command& command) {
  if (command.arguments.contains("check")) return check_sheet(command);
  if (command.out.empty() && argument(command, "pdf").empty())
    return fail(command, {FaultKind::bad_request, "where is the sheet to go?", "", "give --out FILE.html, --pdf FILE.pdf, or both"});
  return make_sheet(command);
}

}  // namespace tallywire::client
