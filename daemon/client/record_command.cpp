// `tallywire record export` and `tallywire record copy`.
#include "daemon/api/client.hpp"
#include "daemon/client/commands.hpp"
#include "daemon/client/drive.hpp"
#include "daemon/client/output.hpp"
#include "daemon/client/progress.hpp"
#include "daemon/client/record_rows.hpp"
#include "daemon/client/stop_signals.hpp"
#include "daemon/record/record.hpp"
#include "probes/deadline.hpp"

#include <CLI/CLI.hpp>
#include <boost/asio/io_context.hpp>

#include <charconv>
#include <filesystem>
#include <limits>

namespace tallywire::client {

namespace asio = boost::asio;
using nlohmann::json;
using namespace std::chrono_literals;

namespace {

constexpr auto answer_limit = 40s;
constexpr int rows_of_a_page = 5000;

struct Range {
  std::int64_t first = 1, last = std::numeric_limits<std::int64_t>::max();
  std::string since;  // RFC 3339; empty: from the first on
};

std::optional<std::int64_t> whole(const std::string& text) {
  std::int64_t value = 0;
  const auto [end, code] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (code != std::errc() || end != text.data() + text.size() || value < 1) return std::nullopt;
  return value;
}

// Rounds that somebody names are there; of a time, nothing may be.
Outcome<void> none_of(const Command& command) {
  const auto named = command.arguments.value("rounds", "");
  if (named.empty()) return {};
  return Fault{FaultKind::bad_request, "the record holds none of these rounds", named, "give others, or leave --rounds out: all are written then"};
}

Outcome<Range> range_of(const Command& command) {
  Range out;
  if (const auto text = command.arguments.value("rounds", ""); !text.empty()) {
    const auto dash = text.find('-');
    const auto first = whole(text.substr(0, dash)), last = dash == std::string::npos ? first : whole(text.substr(dash + 1));
    if (!first || !last || *last < *first) return Fault{FaultKind::bad_request, "these are no rounds", text, "as --rounds 12-40, or --rounds 12"};
    out.first = *first;
    out.last = *last;
  }
  if (auto text = command.arguments.value("since", ""); !text.empty()) {
    if (text.size() == 10) text += "T00:00:00Z";
    try {
      out.since = to_rfc3339(from_rfc3339(text));
    } catch (const std::invalid_argument&) {
      return Fault{FaultKind::bad_request, "this is no date", text, "as --since 2026-11-01, or a time in UTC as 2026-11-01T06:00:00Z"};
    }
  }
  return out;
}

// Of the record that nobody holds.
Outcome<void> export_here(const Command& command, const Range& range, ExportWriter& out) {
  const auto directory = command.arguments.value("record", "");
  // A record that is not there would be made.
  if (directory.empty() || !(std::filesystem::is_regular_file(directory) || std::filesystem::is_regular_file(directory + "/record.sqlite")))
    return Fault{FaultKind::bad_request, directory.empty() ? "which record?" : "there is no record", directory,
                 "give its directory, or a copy of it: --record DIRECTORY"};
  auto record = record::Record::open(directory);
  if (!record) return record.error();
  std::int64_t first = range.last, after = 0;
  const auto since = range.since.empty() ? SystemTime{} : from_rfc3339(range.since);
  for (bool more = true; more;) {
    auto heads = (*record)->rounds_between(range.first, range.last, since, after, rows_of_a_page);
    if (!heads) return heads.error();
    for (const auto& head : *heads) {
      first = std::min(first, head.id);
      after = head.id;
      if (auto told = out.add_round(record::summary_of(head)); !told) return told;
    }
    more = heads->size() == rows_of_a_page && !stop_asked();
  }
  if (after == 0) return none_of(command);
  std::optional<record::ExportPlace> place(std::in_place);
  while (place) {
    if (stop_asked()) return Fault{FaultKind::cancelled, "the export was stopped", "", ""};
    auto page = (*record)->export_page(first, after, *place, rows_of_a_page);
    if (!page) return page.error();
    for (const auto& [round, kind, reading] : page->readings)
      if (auto told = out.add(round, kind, reading); !told) return told;
    place = page->next;
  }
  return {};
}

class AtService {
 public:
  explicit AtService(const Command& command) : command_(command), line_(command.json || command.out == "-") {}

  asio::awaitable<Outcome<void>> export_all(Range range, ExportWriter& out) {
    std::int64_t first = range.last, last = 0;
    std::string target = "/api/record/rounds?first=" + std::to_string(range.first) + "&last=" + std::to_string(range.last) + "&since=" + range.since;
    json next = 0;
    while (!next.is_null()) {
      auto page = co_await call("GET", target + "&after=" + next.dump());
      if (!page) co_return page.error();
      for (const auto& round : page->at("rounds")) {
        last = round.at("round").get<std::int64_t>();
        first = std::min(first, last);
        if (auto told = out.add_round(round); !told) co_return told;
      }
      next = page->at("next");
    }
    if (last == 0) co_return none_of(command_);
    target = "/api/record/readings?first=" + std::to_string(first) + "&last=" + std::to_string(last) + "&after=";
    next = "";
    while (!next.is_null()) {
      if (stop_.requested()) co_return Fault{FaultKind::cancelled, "the export was stopped", "", ""};
      auto page = co_await call("GET", target + next.get<std::string>());
      if (!page) co_return page.error();
      for (const auto& row : page->at("readings")) {
        const Reading reading = row.get<Reading>();
        if (auto told = out.add(row.at("round").get<std::int64_t>(), row.at("kind").get<std::string>(), reading); !told) co_return told;
      }
      next = page->at("next");
    }
    co_return Outcome<void>();
  }

  asio::awaitable<int> run_export(Range range, ExportFile& file, ExportWriter& out) {
    auto done = co_await export_all(std::move(range), out);
    if (done) done = out.end();
    if (done) done = file.keep();
    co_return done ? exit_met : fail(command_, done.error());
  }

  asio::awaitable<int> run_copy() {
    json order = {{"file", command_.arguments.at("file")}};
    auto state = co_await call("POST", "/api/record/copy", std::move(order));
    while (state && state->at("state") == "running") {
      line_.show(state->at("done_bytes").get<double>() / 1e6, state->at("all_bytes").get<double>() / 1e6, "copying the record, MB");
      if (stop_.requested()) {
        const Fault left{FaultKind::cancelled, "the service goes on with the copy", command_.arguments.at("file"), "see GET /api/record"};
        co_return fail(command_, left);
      }
      co_await pause_for(100ms);
      auto record = co_await call("GET", "/api/record");
      if (!record) co_return fail(command_, record.error());
      state = Outcome<json>(boost::system::in_place_value, record->at("copy"));
    }
    line_.clear();
    if (!state) co_return fail(command_, state.error());
    if (const auto& e = state->at("error"); !e.is_null())
      co_return fail(command_, {FaultKind::system, e.at("what"), e.at("where"), e.at("try_next")});
    if (command_.json) print_json(*state);
    else std::printf("The record is copied to %s.\n", state->at("file").get<std::string>().c_str());
    co_return exit_met;
  }

  void interrupt() { stop_.request(); }

 private:
  asio::awaitable<Outcome<json>> call(std::string method, std::string target, json body = nullptr) {
    auto answer = co_await api::ask_service(command_.socket, std::move(method), std::move(target), std::move(body), answer_limit);
    if (!answer) co_return answer.error();
    Outcome<json> out(boost::system::in_place_value, std::move(answer->body));
    co_return out;
  }

  const Command& command_;
  ProgressLine line_;
  Stop stop_;
};

int run_export(const Command& command) {
  const auto range = range_of(command);
  if (!range) return fail(command, range.error());
  ExportFile file(command.out);
  if (auto opened = file.open(); !opened) return fail(command, opened.error());
  ExportWriter out(file, command.arguments.value("csv", false));
  if (auto begun = out.begin(); !begun) return fail(command, begun.error());
  if (command.alone) {
    listen_for_stop();
    auto done = export_here(command, *range, out);
    if (done) done = out.end();
    if (done) done = file.keep();
    return done ? exit_met : fail(command, done.error());
  }
  asio::io_context context(1);
  AtService work(command);
  return drive(context, work.run_export(*range, file, out), [&work] { work.interrupt(); });
}

}  // namespace

void add_record(CLI::App& app, Command& c) {
  auto* record = app.add_subcommand("record", "what is kept: take it out, or copy it");
  record->require_subcommand(1);
  auto* out = record->add_subcommand("export", "readings as CSV or JSON");
  out->footer("Exit: 0 written; 2 wrong request; 3 something could not be read or written.\n"
              "  tallywire record export --csv --out readings.csv\n  tallywire record export --since 2026-11-01 --json --out - | gzip > november.json.gz");
  const auto text = [&c](CLI::App& of, const char* option, const char* key, const char* help) {
    return of.add_option_function<std::string>(option, [&c, key](const std::string& value) { c.arguments[key] = value; }, help);
  };
  text(*out, "--rounds", "rounds", "from round to round, both in, as 12-40 (all)");
  text(*out, "--since", "since", "rounds that began at this date or later, UTC, as 2026-11-01");
  auto* csv = out->add_flag_callback("--csv", [&c] { c.arguments["csv"] = true; }, "one table (RFC 4180)");
  out->add_flag_callback("--json", [&c] { c.arguments["csv"] = false; }, "one object with the rounds and the readings (so it is without either)")
      ->excludes(csv);
  out->add_option("--out", c.out, "the file, which must not be there yet; - is the output stream")->required();
  out->add_flag("--alone", c.alone, "read the record here, which no service may hold");
  text(*out, "--record", "record", "with --alone: its directory, or a copy of it");
  out->add_option("--socket", c.socket, "the service's Unix socket")->capture_default_str();
  auto* copy = record->add_subcommand("copy", "a consistent copy while the service runs; the copy opens as a record");
  copy->footer("The service writes the file, in a directory where it may.\nExit: 0 copied; 2 wrong request; 3 it could not be made.\n"
               "  tallywire record copy /srv/copies/record.sqlite");
  const auto name_it = [&c](const std::string& file) { c.arguments["file"] = std::filesystem::absolute(file).lexically_normal().string(); };
  copy->add_option_function<std::string>("file", name_it, "its name, ends in .sqlite, must not be there yet")->required();
  copy->add_flag("--json", c.json, "answer one JSON object on the output stream");
  copy->add_option("--socket", c.socket, "the service's Unix socket")->capture_default_str();
}

int run_record(const Command& command) {
  if (command.name == "record export") return run_export(command);
  asio::io_context context(1);
  AtService work(command);
  return drive(context, work.run_copy(), [&work] { work.interrupt(); });
}

}  // namespace tallywire::client
