// Fills a record with 500 units × 400 nights and tells its size and the time of every query that a page or a night makes:
//   record_bench FOLDER [--units N] [--streams N] [--nights N] [--keep] [--unthinned]
// Cold: the file is out of the page cache (posix_fadvise) and the connections are new. Warm: 15 in a row. CPU: the warm ones'
// time on a processor, which other work on the machine leaves alone.
#include "daemon/record/record.hpp"
#include "record_site.hpp"

#include <CLI/CLI.hpp>
#include <fcntl.h>
#include <sqlite3.h>
#include <unistd.h>

#include <algorithm>
#include <cstdio>
#include <ctime>
#include <filesystem>
#include <functional>

using namespace tallywire;
using namespace tallywire::record;
using namespace std::chrono_literals;

namespace {

struct Arguments {
  std::string folder;
  bench::SiteSize size;
  int nights = 400;
  bool keep = false, unthinned = false;
};

double milliseconds(const std::function<void()>& work) {
  const auto begun = std::chrono::steady_clock::now();
  work();
  return std::chrono::duration<double, std::milli>(std::chrono::steady_clock::now() - begun).count();
}

double cpu_milliseconds() {
  timespec now{};
  ::clock_gettime(CLOCK_THREAD_CPUTIME_ID, &now);
  return static_cast<double>(now.tv_sec) * 1e3 + static_cast<double>(now.tv_nsec) / 1e6;
}

template <class T>
T take(Outcome<T> outcome) {
  if (!outcome) throw FaultError(outcome.error());
  return std::move(*outcome);
}
void take(const Outcome<void>& outcome) {
  if (!outcome) throw FaultError(outcome.error());
}

constexpr auto any = static_cast<std::size_t>(-1);

std::unique_ptr<Record> opened(const Arguments& a) { return take(Record::open(a.folder)); }

// Out of the page cache, so that what is asked comes from the disk.
void forget_pages(const Arguments& a) {
  for (const char* end : {"/record.sqlite", "/record.sqlite-wal"}) {
    const int file = ::open((a.folder + end).c_str(), O_RDONLY | O_CLOEXEC);
    if (file < 0) continue;
    ::fdatasync(file);
    ::posix_fadvise(file, 0, 0, POSIX_FADV_DONTNEED);
    ::close(file);
  }
}

void fill(const Arguments& a) {
  auto record = opened(a);
  bench::MadeUpSite site(a.size);
  const auto last = now_utc();
  std::size_t readings_in_all = 0;
  double end_ms = 0, worst_thin_ms = 0, add_ms = 0;
  int thin_steps = 0;
  const auto there = take(record->size());  // a fill that was broken off goes on
  for (int night = static_cast<int>(there.whole_rounds); night < a.nights; ++night) {
    const auto when = std::chrono::floor<std::chrono::milliseconds>(last - 24h * (a.nights - night));
    RoundHead head;
    head.kind = "night";
    head.site = "a made-up site";
    head.design_sha256 = std::string(64, '0');
    head.started = when;
    const auto id = take(record->begin_round(head));
    const auto readings = site.night(when);
    readings_in_all += readings.size();
    add_ms += milliseconds([&] { take(record->add_readings(id, readings)); });
    const auto document = site.document(when, readings);
    end_ms += milliseconds([&] { take(record->end_round(id, "complete", document)); });
    if (night == 0) {
      take(record->accept_round(id, "A. Tester", when));
      std::printf("A night: %zu readings, document of %.1f MB\n", readings.size(), static_cast<double>(document.dump().size()) / 1e6);
    }
    for (bool more = !a.unthinned; more; ++thin_steps)
      worst_thin_ms = std::max(worst_thin_ms, milliseconds([&] { more = take(record->thin(when + 1h)); }));
  }
  const auto nights = a.nights - there.whole_rounds;
  if (nights <= 0) return;
  const double each = 1.0 / static_cast<double>(nights);
  std::printf("Filled: %lld nights, %zu readings; a night is added in %.0f ms, ended in %.0f ms; %d steps of thinning, the longest %.1f ms\n",
              static_cast<long long>(nights), readings_in_all, add_ms * each, end_ms * each, thin_steps, worst_thin_ms);
}

void tell_sizes(const Arguments& a) {
  const auto file = a.folder + "/record.sqlite";
  std::printf("On disk: %.0f MB\n", static_cast<double>(std::filesystem::file_size(file)) / 1e6);
  sqlite3* database = nullptr;
  sqlite3_open_v2(file.c_str(), &database, SQLITE_OPEN_READONLY, nullptr);
  sqlite3_stmt* rows = nullptr;
  if (sqlite3_prepare_v2(database, "SELECT name, sum(pgsize) / 1e6 FROM dbstat GROUP BY name ORDER BY 2 DESC LIMIT 8", -1, &rows, nullptr) == SQLITE_OK)
    while (sqlite3_step(rows) == SQLITE_ROW) std::printf("  %-32s %8.1f MB\n", sqlite3_column_text(rows, 0), sqlite3_column_double(rows, 1));
  sqlite3_finalize(rows);
  sqlite3_close(database);
}

// `rows` is what the query must find.
void ask(const Arguments& a, const char* what, std::size_t rows_there, const std::function<std::size_t(Record&)>& query) {
  std::vector<double> cold, warm, cpu;
  std::size_t rows = 0;
  for (int i = 0; i < 5; ++i) {
    forget_pages(a);
    auto record = opened(a);
    cold.push_back(milliseconds([&] { rows = query(*record); }));
  }
  auto record = opened(a);
  query(*record);
  for (int i = 0; i < 15; ++i) {
    const double before = cpu_milliseconds();
    warm.push_back(milliseconds([&] { rows = query(*record); }));
    cpu.push_back(cpu_milliseconds() - before);
  }
  if (rows_there != any && rows != rows_there)
    throw std::runtime_error(std::string(what) + ": " + std::to_string(rows) + " instead of " + std::to_string(rows_there));
  std::sort(cold.begin(), cold.end());
  std::sort(warm.begin(), warm.end());
  std::sort(cpu.begin(), cpu.end());
  std::printf("%-36s %8zu  cold %6.1f (worst %6.1f)  warm %6.2f (worst %6.2f)  cpu %6.2f ms\n", what, rows, cold[cold.size() / 2], cold.back(),
              warm[warm.size() / 2], warm.back(), cpu[cpu.size() / 2]);
}

std::vector<std::string> all_streams(const Arguments& a) {
  std::vector<std::string> out;
  for (int unit = 0; unit < a.size.units; ++unit)
    for (int stream = 0; stream < a.size.streams_of_unit; ++stream) out.push_back(bench::stream_subject(unit, stream));
  return out;
}

void ask_all(const Arguments& a) {
  const auto newest = take(opened(a)->latest_round()).value();
  const auto unit = bench::unit_subject(a.size.units / 2), stream = bench::stream_subject(a.size.units / 2, 0);
  const auto streams = all_streams(a);
  const auto nights = static_cast<std::size_t>(a.nights), of_stream = std::min<std::size_t>(nights, 400);
  const auto of_night = bench::readings_of_night(a.size);
  ask(a, "rounds, the newest 50", std::min<std::size_t>(nights, 50), [](Record& r) { return take(r.rounds(50)).size(); });
  ask(a, "rounds, the newest 1000", any, [](Record& r) { return take(r.rounds(1000)).size(); });
  ask(a, "one round, octets of its text", any, [&](Record& r) { return take(r.round_text(newest))->size(); });
  ask(a, "headroom of the newest round", 25, [](Record& r) { return take(r.newest_part("headroom", true))->second.size(); });
  ask(a, "a unit's nights, 400", of_stream, [&](Record& r) { return take(r.unit_nights(unit.substr(7), 400)).size(); });
  ask(a, "a stream's history, 400 nights", of_stream, [&](Record& r) { return take(r.history(stream, "payload_bps", 400)).size(); });
  const auto of_unit = of_night / static_cast<std::size_t>(a.size.units);
  ask(a, "a unit's readings in a round", of_unit, [&](Record& r) { return take(r.readings_below(newest, unit)).size(); });
  for (const int most : {30, 60}) {
    const auto rows = streams.size() * std::min<std::size_t>(nights, static_cast<std::size_t>(most));
    const auto what = "bit rate of all streams, " + std::to_string(most) + " nights";
    ask(a, what.c_str(), rows, [&](Record& r) { return take(r.numbers_of_nights("payload_bps", most)).numbers.size(); });
  }
  ask(a, "all readings of a round", of_night, [&](Record& r) { return take(r.readings_of(newest)).size(); });
  const auto of_page = std::min<std::size_t>(5000, nights * of_night);
  ask(a, "a page of an export, 5000 readings", of_page, [](Record& r) { return take(r.export_page(1, 1'000'000, {}, 5000)).readings.size(); });
  ask(a, "events after a place, 500", 0, [](Record& r) { return take(r.events_after(0, 500)).size(); });
  ask(a, "sizes and counts", nights, [](Record& r) { return static_cast<std::size_t>(take(r.size()).whole_rounds); });
}

}  // namespace

int main(int argc, char** argv) {
  Arguments a;
  CLI::App app{"record_bench: the size of a record, and the time of its queries"};
  app.add_option("folder", a.folder, "an empty folder on the disk to measure")->required();
  app.add_option("--units", a.size.units);
  app.add_option("--streams", a.size.streams_of_unit, "of each unit");
  app.add_option("--nights", a.nights);
  app.add_flag("--keep", a.keep, "leave the record there; one that is there is filled up");
  app.add_flag("--unthinned", a.unthinned, "what it would take without thinning");
  CLI11_PARSE(app, argc, argv);
  try {
    fill(a);
    tell_sizes(a);
    ask_all(a);
    if (!a.keep) std::filesystem::remove_all(a.folder);
  } catch (const std::exception& e) {
    std::fprintf(stderr, "record_bench: %s\n", e.what());
    return 1;
  }
  return 0;
}
