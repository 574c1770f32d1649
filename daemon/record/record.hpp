// What is kept: rounds, readings, events, witnesses and the roll, in one SQLite file.
//
// Calls block on the disk. They may come from any thread: one lock holds them apart. The service makes
// its writes on one thread of its own, in order, so that the network thread never waits for a disk.
// A call that returns without a Fault is durable: the file survives kill -9 and loss of power (WAL with
// synchronous=FULL). A full disk is a Fault of kind system; nothing is corrupted, and calls work
// again when there is room.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <cstdint>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

struct sqlite3;

namespace tallywire::record {

struct RoundHead {
  std::int64_t id = 0;
  std::string kind;   // "round", "prove", "night"
  std::string state;  // "running", "complete", "cancelled", "broken_off"
  std::string site;
  std::string design_sha256;
  std::string plan;
  SystemTime started{};
  std::optional<SystemTime> ended;
  double planned_s = 0;
  std::optional<std::string> accepted_by;
  std::optional<SystemTime> accepted_at;
  nlohmann::json counts;         // null while running
  std::optional<int> exit_code;
};

struct NewEvent {
  std::string name;
  std::string data;  // JSON on one line
};

struct Event {
  std::int64_t id = 0;
  std::string name;
  nlohmann::json data;
};

struct Witness {
  std::string subject;
  std::string point;
  std::string by;
  std::string note;
  SystemTime at{};
};

class Record {
 public:
  // `directory` is made if it is not there; ":memory:" keeps nothing beyond the process. One process at a time holds a
  // record (a lock that the kernel takes back with the process); rounds that a killed service left running are marked
  // broken_off.
  static Outcome<std::unique_ptr<Record>> open(const std::string& directory);
  ~Record();
  Record(const Record&) = delete;
  Record& operator=(const Record&) = delete;

  Outcome<std::int64_t> begin_round(const RoundHead& head);
  Outcome<void> add_readings(std::int64_t round, const std::vector<Reading>& readings);
  // `document` is the whole round as in docs/api.md.
  Outcome<void> end_round(std::int64_t round, const std::string& state, const nlohmann::json& document);
  // Of a round that never ended: its head with the readings that were kept, verdicts empty.
  Outcome<std::optional<nlohmann::json>> round_document(std::int64_t id);
  Outcome<std::vector<RoundHead>> rounds(int limit);  // newest first
  Outcome<std::optional<std::int64_t>> latest_round();
  Outcome<void> accept_round(std::int64_t id, const std::string& by, SystemTime at);
  Outcome<std::vector<Reading>> readings_of(std::int64_t round);
  struct NightReading {
    std::int64_t round = 0;
    Reading reading;
  };
  // Of each subject the newest numbers of one quantity that complete nightly rounds read, at most `most` a subject.
  Outcome<std::vector<NightReading>> readings_of_nights(const std::vector<std::string>& subjects, const std::string& quantity, int most);

  // The newest `events_kept` events stay.
  static constexpr int events_kept = 100'000;
  Outcome<std::int64_t> add_event(const std::string& name, const nlohmann::json& data);
  // All of them or none; answers the number of the first, the others follow on.
  Outcome<std::int64_t> add_events(const std::vector<NewEvent>& events);
  Outcome<std::vector<Event>> events_after(std::int64_t id, int limit);
  Outcome<std::int64_t> last_event();

  Outcome<void> add_witness(const Witness& witness);
  Outcome<std::vector<Witness>> witnesses();
  Outcome<void> save_roll(const std::string& roll);  // JSON
  Outcome<std::optional<nlohmann::json>> roll();  // none before the first save_roll

 private:
  Record(sqlite3* database, std::string where) : database_(database), where_(std::move(where)) {}
  Outcome<void> hold(const std::string& directory);
  Outcome<void> migrate();
  Outcome<void> break_off_running();

  std::mutex lock_;
  sqlite3* database_;
  std::string where_;
  int held_ = -1;  // the file whose lock says that this record is ours
};

nlohmann::json summary_of(const RoundHead& head);  // as in docs/api.md

}  // namespace tallywire::record
