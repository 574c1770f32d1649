// Migration, copies, and kill -9 at any moment of all of these.
#include "daemon/record/schema.hpp"
#include "made_record.hpp"

#include <fcntl.h>
#include <sys/resource.h>
#include <sys/wait.h>

#include <algorithm>
#include <csignal>
#include <fstream>
#include <functional>
#include <random>
#include <thread>

using namespace made;
using namespace std::chrono_literals;
using nlohmann::json;

namespace {

constexpr int old_rounds = 4, old_readings = 600;  // of each

std::string old_document(int round) {
  return json_line({{"plan", "one"}, {"counts", {{"met", round}}}, {"exit_code", 0}, {"roll", {{{"camera", "gate"}, {"presence", "proven"}}}},
                    {"verdicts", {{{"subject", "camera/gate"}, {"quantity", "firmware"}, {"verdict", "met"}}}}});
}

// By the first version's own SQL, as that version wrote it.
void make_version_1(const std::string& file) {
  std::ofstream(file).close();
  std::string sql = "PRAGMA journal_mode=WAL; BEGIN;" + std::string(schema_steps[0].first) + "PRAGMA user_version=1;";
  for (int round = 1; round <= old_rounds; ++round) {
    const auto r = std::to_string(round), day = "'2026-11-2" + r;
    sql += "INSERT INTO rounds (kind, state, site, design_sha256, plan, planned_s, started, ended, counts, exit_code, document) "
           "VALUES ('night', 'complete', 'a site', '00', 'one', 1, " + day + "T02:00:00.000Z', " + day + "T02:30:00.000Z', '{\"met\":" + r + "}', 0, '" +
           old_document(round) + "');";
    for (int i = 0; i < old_readings; ++i) {
      const auto n = std::to_string(i);
      sql += "INSERT INTO readings (round, subject, quantity, number, word, uncertainty, at, over_s, method, unread) "
             "VALUES (" + r + ", 'camera/unit-" + n + "', ";
      if (i % 3 == 0) sql += "'payload_bps', " + n + ".25, NULL, 0.5, '2026-11-25T12:00:00.125Z', 9.75, 'counted', NULL);";
      if (i % 3 == 1) sql += "'codec', NULL, 'H.264', 0, '2026-11-25T12:00:00.125Z', 0, 'session description', NULL);";
      if (i % 3 == 2) sql += "'codec', NULL, NULL, 0, '2026-11-25T12:00:00.125Z', 0, '', 'login refused');";
    }
  }
  REQUIRE(asked(file, sql + "INSERT INTO events (at, name, data) VALUES ('2026-11-25T12:00:00.000Z', 'presence', '{\"n\":7}'); COMMIT;") == "wal");
}

void check_migrated(Record& record) {
  for (int round = 1; round <= old_rounds; ++round) {
    const auto readings = *record.readings_of(round);
    REQUIRE(readings.size() == old_readings);
    for (const auto& r : readings) {
      const int i = std::stoi(r.subject.substr(12));
      REQUIRE(to_rfc3339(r.when) == "2026-11-25T12:00:00.125Z");
      REQUIRE(r.quantity == (i % 3 == 0 ? "payload_bps" : "codec"));
      REQUIRE(r.number() == (i % 3 == 0 ? std::optional(i + 0.25) : std::nullopt));
      REQUIRE(r.word() == (i % 3 == 1 ? std::optional<std::string>("H.264") : std::nullopt));
      REQUIRE(r.unread == (i % 3 == 2 ? "login refused" : ""));
      REQUIRE(r.over == (i % 3 == 0 ? 9750ms : 0ms));
      REQUIRE(r.uncertainty == (i % 3 == 0 ? 0.5 : 0.0));
      REQUIRE(r.method == (i % 3 == 0 ? "counted" : i % 3 == 1 ? "session description" : ""));
    }
    auto document = **record.round_document(round);
    CHECK(document.at("verdicts") == json::parse(old_document(round)).at("verdicts"));
    CHECK(document.at("counts").at("met") == round);
    CHECK(document.at("state") == "complete");
  }
  CHECK(record.unit_nights("gate", 10)->size() == old_rounds);
  CHECK((*record.events_after(0, 10))[0].data.at("n") == 7);
}

// Runs `work` in a child that is killed after `delay`, unless it has ended; answers what it wrote to its pipe.
std::string killed(std::chrono::microseconds delay, const std::function<void(int)>& work) {
  int pipe[2];
  REQUIRE(::pipe2(pipe, O_CLOEXEC) == 0);
  const pid_t child = ::fork();
  if (child == 0) {
    ::close(pipe[0]);
    work(pipe[1]);
    ::_exit(0);
  }
  ::close(pipe[1]);
  char first = 0;
  std::string out;
  if (::read(pipe[0], &first, 1) == 1) out += first;  // it has begun
  std::this_thread::sleep_for(delay);
  ::kill(child, SIGKILL);
  char octets[4096];
  for (ssize_t got; (got = ::read(pipe[0], octets, sizeof octets)) > 0;) out.append(octets, static_cast<std::size_t>(got));
  ::close(pipe[0]);
  ::waitpid(child, nullptr, 0);
  return out;
}

void acknowledge(int to) {
  if (::write(to, "+", 1) != 1) ::_exit(1);
}

}  // namespace

TEST_CASE("a record of the first version is migrated, and reads the same") {
  const Folder folder("migrated");
  make_version_1(folder.file("record.sqlite"));
  check_migrated(*opened(folder.path));
  CHECK(integrity(folder.file("record.sqlite")) == "ok");
  CHECK(asked(folder.file("record.sqlite"), "PRAGMA user_version") == std::to_string(schema_steps.size()));
  check_migrated(*opened(folder.path));
}

TEST_CASE("a migration that is killed or finds no room leaves the old file usable") {
  const Folder made("old");
  make_version_1(made.file("record.sqlite"));
  asked(made.file("record.sqlite"), "PRAGMA wal_checkpoint(TRUNCATE)");
  const Folder folder("killed-migration");
  const auto file = folder.file("record.sqlite");
  const auto again = [&] {
    for (const char* end : {"", "-wal", "-shm"}) std::filesystem::remove(file + end);
    std::filesystem::copy_file(made.file("record.sqlite"), file);
  };
  again();
  const auto begun = std::chrono::steady_clock::now();
  opened(folder.path).reset();
  const auto whole = std::chrono::duration_cast<std::chrono::microseconds>(std::chrono::steady_clock::now() - begun);
  std::mt19937 random(7);
  int still_old = 0;
  for (int kill = 0; kill < 20; ++kill) {
    again();
    killed(whole * static_cast<int>(random() % 100) / 100, [&](int to) {
      acknowledge(to);
      auto record = Record::open(folder.path);
    });
    const auto version = asked(file, "PRAGMA user_version");
    still_old += version == "1";
    if (version == "1") CHECK(asked(file, "SELECT count(*) FROM readings WHERE number IS NOT NULL") == std::to_string(old_rounds * old_readings / 3));
    CHECK(integrity(file) == "ok");
    check_migrated(*opened(folder.path));
  }
  CHECK(still_old > 0);
  again();
  // A limit on file size stands for the full disk: writes fail in the same way (EFBIG instead of ENOSPC).
  std::signal(SIGXFSZ, SIG_IGN);
  rlimit before{};
  ::getrlimit(RLIMIT_FSIZE, &before);
  const rlimit small{32 * 1024, before.rlim_max};
  ::setrlimit(RLIMIT_FSIZE, &small);
  const auto full = Record::open(folder.path);
  ::setrlimit(RLIMIT_FSIZE, &before);
  REQUIRE_FALSE(full.has_value());
  CHECK(full.error().kind == FaultKind::system);
  CHECK(asked(file, "SELECT count(*) FROM readings") == std::to_string(old_rounds * old_readings));
  check_migrated(*opened(folder.path));
}

TEST_CASE("a copy is whole and consistent while the record is written, and opens as a record") {
  const Folder folder("copied");
  auto record = opened(folder.path + "/live");
  const auto id = *record->begin_round(head("round", now_utc()));
  std::vector<Reading> many;
  for (int i = 0; i < 20000; ++i) many.push_back(read_number("camera/unit-" + std::to_string(i), "payload_bps", i + 0.5, "counted", now_utc()));
  REQUIRE(record->add_readings(id, many).has_value());
  REQUIRE(record->copying().start(folder.file("copy.sqlite")).has_value());
  int added = 0;
  for (; record->copying().state()->state == "running"; ++added) REQUIRE(record->add_readings(id, {many[0]}).has_value());
  CHECK(record->copying().state()->state == "complete");
  CHECK(record->copying().state()->done_bytes > 100'000);
  CHECK(integrity(folder.file("copy.sqlite")) == "ok");
  const auto copy = opened(folder.file("copy.sqlite"));
  CHECK(copy->readings_of(id)->size() >= many.size());
  CHECK(copy->readings_of(id)->size() <= many.size() + static_cast<std::size_t>(added));
  CHECK((**copy->round_document(id)).at("state") == "broken_off");
  CHECK_FALSE(std::filesystem::exists(folder.file("copy.sqlite.part")));
}

TEST_CASE("a copy takes no name that is taken, leaves nothing when it is stopped, and writes over what a killed one left") {
  const Folder folder("copies");
  auto record = opened(folder.path + "/live");
  const auto id = *record->begin_round(head("round", now_utc()));
  for (int i = 0; i < 60; ++i) {
    const auto reading = read_number("camera/gate", "payload_bps", i, "counted", now_utc());
    REQUIRE(record->add_readings(id, std::vector<Reading>(500, reading)).has_value());
  }
  std::ofstream(folder.file("precious.sqlite")) << "not yours";
  CHECK(record->copying().start(folder.file("precious.sqlite")).error().kind == FaultKind::bad_request);
  CHECK(record->copying().start("relative.sqlite").error().kind == FaultKind::bad_request);
  CHECK(record->copying().start(folder.file("authorized_keys")).error().kind == FaultKind::bad_request);
  CHECK(record->copying().start(folder.file("authorized_keys") + std::string("\0.sqlite", 8)).error().kind == FaultKind::bad_request);
  int steps = 0;
  const auto stopped = copy_record(folder.path + "/live/record.sqlite", folder.file("stopped.sqlite"), [&](std::int64_t, std::int64_t) { return ++steps < 2; });
  CHECK(stopped.error().kind == FaultKind::cancelled);
  CHECK_FALSE(std::filesystem::exists(folder.file("stopped.sqlite")));
  CHECK_FALSE(std::filesystem::exists(folder.file("stopped.sqlite.part")));
  std::ofstream(folder.file("again.sqlite.part")) << "half of a copy";
  // A name that somebody takes while the copy is made stays theirs.
  const auto late = copy_record(folder.path + "/live/record.sqlite", folder.file("late.sqlite"), [&](std::int64_t, std::int64_t) {
    std::ofstream(folder.file("late.sqlite")) << "mine";
    return true;
  });
  CHECK(late.error().kind == FaultKind::bad_request);
  CHECK(std::filesystem::file_size(folder.file("late.sqlite")) == 4);
  REQUIRE(copy_record(folder.path + "/live/record.sqlite", folder.file("again.sqlite"), [](std::int64_t, std::int64_t) { return true; }).has_value());
  CHECK(integrity(folder.file("again.sqlite")) == "ok");
}

TEST_CASE("nothing acknowledged is lost by kill -9 at 64 moments of adding, ending, thinning and copying") {
  const Folder folder("killed");
  const auto live = folder.path + "/live";
  std::mt19937 random(11);
  int copies_made = 0;
  for (int kill = 0; kill < 64; ++kill) {
    const auto said = killed(std::chrono::microseconds(random() % 40'000), [&](int to) {
      auto record = std::move(*Record::open(live));
      // The rounds of children before are old enough to lose their readings.
      const auto far = now_utc() + 24h * 500;
      const auto ended = *record->begin_round(head("prove", now_utc()));
      if (!record->add_readings(ended, std::vector<Reading>(40, read_number("camera/gate", "payload_bps", 1, "counted", now_utc())))) ::_exit(1);
      if (!record->end_round(ended, "complete", {{"verdicts", json::array()}})) ::_exit(1);
      const auto id = *record->begin_round(head("round", now_utc()));
      acknowledge(to);
      for (int i = 0;; ++i) {
        const auto windows = read_word("camera/gate", "wire_windows_100ms", "0:" + std::to_string(i), "counted", now_utc());
        if (!record->add_readings(id, {read_number("camera/gate", "payload_bps", i, "counted " + std::to_string(i), now_utc()), windows})) ::_exit(1);
        acknowledge(to);
        if (i % 3 == 0) (void)record->thin(far);
        if (i % 4 == 0) (void)record->copying().start(folder.file("copy-" + std::to_string(kill) + "-" + std::to_string(i) + ".sqlite"));
      }
    });
    REQUIRE_FALSE(said.empty());
    {
      auto record = opened(live);
      const auto newest = record->rounds(1)->front();
      CHECK(newest.state == "broken_off");
      std::vector<bool> there(said.size() - 1);
      for (const auto& r : *record->readings_of(newest.id))
        if (const auto n = r.number(); n && *n < static_cast<double>(there.size())) there[static_cast<std::size_t>(*n)] = true;
      CHECK(std::find(there.begin(), there.end(), false) == there.end());
    }
    CHECK(integrity(live + "/record.sqlite") == "ok");
    for (const auto& entry : std::filesystem::directory_iterator(folder.path)) {
      if (entry.path().extension() == ".sqlite") {
        ++copies_made;
        CHECK(integrity(entry.path()) == "ok");
        CHECK(asked(entry.path(), "SELECT count(*) > 0 FROM rounds") == "1");
      }
      if (entry.is_regular_file()) std::filesystem::remove(entry.path());
    }
  }
  CHECK(copies_made > 0);
}
