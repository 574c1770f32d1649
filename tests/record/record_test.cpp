#include "daemon/record/record.hpp"

#include <catch2/catch.hpp>
#include <sqlite3.h>

#include <filesystem>
#include <limits>

#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <csignal>

using namespace tallywire;
using namespace tallywire::record;

namespace {

struct Folder {
  std::string path = (std::filesystem::temp_directory_path() / ("tallywire-record-" + std::to_string(::getpid()))).string();
  Folder() { std::filesystem::remove_all(path); }
  ~Folder() { std::filesystem::remove_all(path); }
};

RoundHead head() {
  RoundHead out;
  out.kind = "round";
  out.site = "a site";
  out.design_sha256 = "00";
  out.started = from_rfc3339("2026-11-25T12:00:00.000Z");
  return out;
}

Reading reading(double value) { return read_number("camera/gate", "payload_bps", value, "counted", head().started); }

}  // namespace

TEST_CASE("a round is kept whole, and its readings come back as they were") {
  auto record = std::move(*Record::open(":memory:"));
  const auto id = *record->begin_round(head());
  REQUIRE(record->add_readings(id, {reading(1.5), unread("camera/gate", "codec", "login refused", head().started)}).has_value());
  REQUIRE(record->end_round(id, "complete", {{"exit_code", 1}, {"counts", {{"met", 1}}}, {"verdicts", nlohmann::json::array()}}).has_value());
  const auto readings = *record->readings_of(id);
  REQUIRE(readings.size() == 2);
  CHECK(readings[0].number() == 1.5);
  CHECK(readings[1].unread == "login refused");
  const auto document = **record->round_document(id);
  CHECK(document.at("state") == "complete");
  CHECK(record->rounds(10)->front().exit_code == 1);
  CHECK_FALSE(record->round_document(99)->has_value());
}

TEST_CASE("readings of nights are those of complete nightly rounds, the newest of each subject") {
  auto record = std::move(*Record::open(":memory:"));
  const auto add = [&](const std::string& kind, const std::string& state, double value, int day) {
    auto one = head();
    one.kind = kind;
    auto read = reading(value);
    read.when += std::chrono::hours(24 * day);
    const auto id = *record->begin_round(one);
    REQUIRE(record->add_readings(id, {read, unread("camera/yard", "payload_bps", "silent", read.when)}).has_value());
    if (state != "running") REQUIRE(record->end_round(id, state, nlohmann::json::object()).has_value());
    return id;
  };
  add("night", "complete", 1, 1);
  const auto second = add("night", "complete", 2, 2);
  const auto third = add("night", "complete", 3, 3);
  add("round", "complete", 4, 4);
  add("night", "cancelled", 5, 5);
  add("night", "running", 6, 6);
  const auto found = *record->numbers_of_nights("payload_bps", 2);
  REQUIRE(found.numbers.size() == 2);
  CHECK(found.subjects == std::vector<std::string>{"camera/gate"});
  CHECK(found.numbers[0].round == third);
  CHECK(found.numbers[0].number == 3);
  CHECK(found.numbers[1].round == second);
}

TEST_CASE("only a complete round can be accepted") {
  auto record = std::move(*Record::open(":memory:"));
  const auto id = *record->begin_round(head());
  CHECK_FALSE(record->accept_round(id, "someone", head().started).has_value());
  record->end_round(id, "complete", nlohmann::json::object());
  REQUIRE(record->accept_round(id, "someone", head().started).has_value());
  CHECK((**record->round_document(id)).at("accepted").at("by") == "someone");
}

TEST_CASE("events are numbered and resume after any of them") {
  auto record = std::move(*Record::open(":memory:"));
  for (int i = 0; i < 5; ++i) record->add_event("presence", {{"n", i}});
  const auto later = *record->events_after(3, 10);
  REQUIRE(later.size() == 2);
  CHECK(later[0].data.at("n") == 3);
}

TEST_CASE("events that come together are numbered one after another, all of them or none") {
  auto record = std::move(*Record::open(":memory:"));
  REQUIRE(record->add_event("presence", {{"n", 0}}).has_value());
  const auto first = record->add_events({{"presence", "{\"n\":1}"}, {"finding", "{\"n\":2}"}, {"presence", "{\"n\":3}"}});
  REQUIRE(first.has_value());
  const auto all = *record->events_after(*first - 1, 10);
  REQUIRE(all.size() == 3);
  for (std::int64_t i = 0; i < 3; ++i) {
    CHECK(all[static_cast<std::size_t>(i)].id == *first + i);
    CHECK(all[static_cast<std::size_t>(i)].data.at("n") == i + 1);
  }
}

TEST_CASE("nothing acknowledged is lost by kill -9, at many points; the round is broken off") {
  for (int kills = 0; kills < 8; ++kills) {
    const Folder folder;
    int pipe[2];
    REQUIRE(::pipe(pipe) == 0);
    const pid_t child = ::fork();
    if (child == 0) {
      auto record = std::move(*Record::open(folder.path));
      const auto id = *record->begin_round(head());
      for (int i = 0;; ++i) {
        if (!record->add_readings(id, {reading(i)})) ::_exit(1);
        const char acknowledged = 1;
        if (::write(pipe[1], &acknowledged, 1) != 1) ::_exit(1);
      }
    }
    ::close(pipe[1]);
    std::size_t acknowledged = 0;
    char octet;
    while (acknowledged < static_cast<std::size_t>(3 + kills * 7) && ::read(pipe[0], &octet, 1) == 1) ++acknowledged;
    ::kill(child, SIGKILL);
    ::waitpid(child, nullptr, 0);
    while (::read(pipe[0], &octet, 1) == 1) ++acknowledged;
    ::close(pipe[0]);
    auto record = std::move(*Record::open(folder.path));
    CHECK(record->readings_of(1)->size() >= acknowledged);
    const auto document = **record->round_document(1);
    CHECK(document.at("state") == "broken_off");
    CHECK(document.at("readings").size() >= acknowledged);
    CHECK(document.at("ended").is_string());  // when it was noticed
    CHECK(record->broken_off_at_open() == std::vector<std::int64_t>{1});
  }
}

TEST_CASE("a round that breaks off keeps what was read, and one that has ended stays as it is") {
  auto record = std::move(*Record::open(":memory:"));
  const auto broken = *record->begin_round(head()), whole = *record->begin_round(head());
  REQUIRE(record->add_readings(broken, {reading(1)}).has_value());
  REQUIRE(record->end_round(whole, "complete", {{"state", "complete"}}).has_value());
  for (const auto id : {broken, whole}) REQUIRE(record->break_off(id).has_value());
  CHECK((**record->round_document(broken)).at("state") == "broken_off");
  CHECK((**record->round_document(broken)).at("readings").size() == 1);
  CHECK((**record->round_document(whole)).at("state") == "complete");
}

TEST_CASE("a disk that is full is told as such, harms nothing, and works again when there is room") {
  const Folder folder;
  auto record = std::move(*Record::open(folder.path));
  const auto id = *record->begin_round(head());
  // A limit on file size stands for the full disk: writes fail in the same way (EFBIG instead of ENOSPC).
  std::signal(SIGXFSZ, SIG_IGN);
  rlimit before{};
  ::getrlimit(RLIMIT_FSIZE, &before);
  const rlimit small{128 * 1024, before.rlim_max};
  ::setrlimit(RLIMIT_FSIZE, &small);
  Outcome<void> outcome;
  for (int i = 0; i < 2000 && outcome; ++i) outcome = record->add_readings(id, std::vector<Reading>(20, reading(i)));
  ::setrlimit(RLIMIT_FSIZE, &before);
  REQUIRE_FALSE(outcome.has_value());
  CHECK(outcome.error().kind == FaultKind::system);
  CHECK(outcome.error().where.find(folder.path) == 0);
  CHECK_FALSE(outcome.error().try_next.empty());
  const auto kept = record->readings_of(id)->size();
  REQUIRE(record->add_readings(id, {reading(1)}).has_value());
  CHECK(record->readings_of(id)->size() == kept + 1);
}

TEST_CASE("a record of a newer version is refused, not downgraded") {
  const Folder folder;
  std::filesystem::create_directories(folder.path);
  Record::open(folder.path)->reset();
  const auto file = folder.path + "/record.sqlite";
  sqlite3* database = nullptr;
  REQUIRE(sqlite3_open(file.c_str(), &database) == SQLITE_OK);
  CHECK(sqlite3_exec(database, "PRAGMA user_version=99", nullptr, nullptr, nullptr) == SQLITE_OK);
  sqlite3_close(database);
  const auto newer = Record::open(folder.path);
  REQUIRE_FALSE(newer.has_value());
  CHECK(newer.error().what.find("newer") != std::string::npos);
}

TEST_CASE("one process at a time holds a record; what the first one runs is not broken off by the second") {
  const Folder folder;
  auto first = std::move(*Record::open(folder.path));
  const auto id = *first->begin_round(head());
  const auto second = Record::open(folder.path);
  REQUIRE_FALSE(second.has_value());
  CHECK(second.error().what == "another tallywired keeps this record");
  CHECK((**first->round_document(id)).at("state") == "running");
  first.reset();
  CHECK(Record::open(folder.path).has_value());
}

TEST_CASE("a reading that is no finite number is kept as unread, and costs its batch nothing") {
  auto record = std::move(*Record::open(":memory:"));
  const auto id = *record->begin_round(head());
  auto odd = reading(1);
  odd.value = std::numeric_limits<double>::quiet_NaN();
  REQUIRE(record->add_readings(id, {reading(0), odd, reading(2)}).has_value());
  const auto kept = *record->readings_of(id);
  REQUIRE(kept.size() == 3);
  CHECK_FALSE(kept[1].is_read());
  CHECK(kept[1].unread == "what was measured is no finite number");
  CHECK(kept[2].is_read());
}

TEST_CASE("text that is no UTF-8 is kept as text that is") {
  auto record = std::move(*Record::open(":memory:"));
  const std::string latin = "Gl\xe4ser";
  REQUIRE(record->add_event("witness", {{"point", latin}}).has_value());
  CHECK((*record->events_after(0, 1))[0].data.at("point") == "Gl\xef\xbf\xbdser");
  REQUIRE(record->save_roll(json_line({{"note", latin}})).has_value());
  CHECK((**record->roll()).at("note") == "Gl\xef\xbf\xbdser");
}

TEST_CASE("witness points and the roll come back as they were given, over a restart") {
  const Folder folder;
  const auto at = now_utc();
  {
    auto record = std::move(*Record::open(folder.path));
    CHECK_FALSE(record->roll()->has_value());
    REQUIRE(record->add_witness({"camera/gate-north", "gland closed", "A. Tester", "second try", at}).has_value());
    REQUIRE(record->add_witness({"camera/gate-north", "gland closed", "B. Tester", "", at, true}).has_value());
    REQUIRE(record->save_roll(json_line(nlohmann::json::array({{{"camera", "gate-north"}, {"presence", "lost"}}}))).has_value());
  }
  auto record = std::move(*Record::open(folder.path));
  const auto witnesses = *record->witnesses();
  REQUIRE(witnesses.size() == 2);
  CHECK_FALSE(witnesses[0].undone);
  CHECK(witnesses[1].undone);
  CHECK(witnesses[0].point == "gland closed");
  CHECK(witnesses[0].note == "second try");
  CHECK(to_rfc3339(witnesses[0].at) == to_rfc3339(at));
  CHECK((**record->roll())[0].at("presence") == "lost");
}
