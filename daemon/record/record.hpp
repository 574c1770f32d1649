// What is kept: rounds, readings, events, witnesses and the roll, in one SQLite file (docs/record.md).
//
// Calls block on the disk. They may come from any thread. Writes and reads have a connection each, with a lock: in the
// write-ahead log neither waits for the other. The service makes its writes on one thread of its own, in order, so that the
// network thread never waits for a disk.
// A call that returns without a Fault is durable: the file survives kill -9 and loss of power (WAL with
// synchronous=FULL). A full disk is a Fault of kind system; nothing is corrupted, and calls work
// again when there is room.
#pragma once

#include "daemon/record/connection.hpp"
#include "daemon/record/copying.hpp"
#include "probes/fault.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

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
  bool undone = false;  // takes back what was witnessed of this point before
};

// A reading and the round that read it.
struct RoundReading {
  std::int64_t round = 0;
  std::string kind;  // of the round
  Reading reading;
};

// Numbers of one quantity over nights, without what else belongs to a reading.
struct NightNumbers {
  struct Number {
    std::int64_t round = 0;
    std::size_t subject = 0;  // place in `subjects`
    double number = 0, uncertainty = 0;
    SystemTime when{};
  };
  std::vector<std::string> subjects;
  std::vector<Number> numbers;
};

// What a complete round said of one unit.
struct UnitNight {
  std::int64_t round = 0;
  std::string kind;
  SystemTime at{};       // the round's end
  std::string presence;
  int met = 0, tight = 0, missed = 0, unread = 0;
};

// Where an export goes on: after this reading. The first page begins after none.
struct ExportPlace {
  std::int64_t round = 0, quantity = 0, subject = 0, n = -1;
};

struct ExportPage {
  std::vector<RoundReading> readings;
  std::optional<ExportPlace> next;  // none: that was the last page
};

struct RecordSize {
  std::int64_t file_bytes = 0, log_bytes = 0;  // the log is written into the file as it grows
  std::int64_t free_bytes = 0;                 // of the file: left by what was thinned, used again
  std::int64_t schema = 0;
  std::int64_t rounds = 0, whole_rounds = 0, thinned_rounds = 0;
};

class Record {
 public:
  // `directory` is made if it is not there; a file is taken as the record itself (a copy); ":memory:" keeps nothing beyond the
  // process. One process at a time holds a record (a lock that the kernel takes back with the process); rounds that a killed
  // service left running are marked broken_off, with the time of now as their end: nobody knows when it was.
  static Outcome<std::unique_ptr<Record>> open(const std::string& directory);
  ~Record();
  Record(const Record&) = delete;
  Record& operator=(const Record&) = delete;
  const std::vector<std::int64_t>& broken_off_at_open() const { return broken_off_at_open_; }

  Outcome<std::int64_t> begin_round(const RoundHead& head);
  Outcome<void> add_readings(std::int64_t round, const std::vector<Reading>& readings);
  // `document` is the whole round as in docs/api.md.
  Outcome<void> end_round(std::int64_t round, const std::string& state, const nlohmann::json& document);
  // A round that broke off: what was read of it stays, and it has no document.
  Outcome<void> break_off(std::int64_t round);
  // Of a round that never ended: its head with the readings that were kept, verdicts empty. The text is for answers: a night of
  // 500 units is 10 MB, which a tree would take ten times as long for.
  Outcome<std::optional<std::string>> round_text(std::int64_t id);
  Outcome<std::optional<nlohmann::json>> round_document(std::int64_t id);
  Outcome<std::vector<RoundHead>> rounds(int limit);  // newest first
  // From the first to the last, both in, or since a time; oldest first, `limit` at most, after the round `after`.
  Outcome<std::vector<RoundHead>> rounds_between(std::int64_t first, std::int64_t last, SystemTime since, std::int64_t after, int limit);
  Outcome<std::optional<std::int64_t>> latest_round();
  // The newest complete round of the whole site; `night`: the newest nightly one.
  Outcome<std::optional<RoundHead>> newest_complete(bool night);
  // A list of the newest complete round of the whole site that has it ("headroom"; `filled`: and that holds something).
  Outcome<std::optional<std::pair<std::int64_t, nlohmann::json>>> newest_part(const std::string& part, bool filled);
  Outcome<void> accept_round(std::int64_t id, const std::string& by, SystemTime at);

  Outcome<std::vector<Reading>> readings_of(std::int64_t round);
  // Of the subject itself and of all that is part of it: "camera/gate" takes "camera/gate/head/1" along.
  Outcome<std::vector<Reading>> readings_below(std::int64_t round, const std::string& subject);
  // Every number of one quantity that the newest `nights` complete nightly rounds read, of all subjects, the newest night
  // first: what forecasts rest on, at a fifth of the work of whole readings.
  Outcome<NightNumbers> numbers_of_nights(const std::string& quantity, int nights);
  // What the newest `most` complete rounds that have it read of one quantity, oldest first; unread ones too.
  Outcome<std::vector<RoundReading>> history(const std::string& subject, const std::string& quantity, int most);
  // The newest `most` complete rounds that judged the unit, oldest first.
  Outcome<std::vector<UnitNight>> unit_nights(const std::string& camera, int most);
  // `limit` readings of the rounds from `first` to `last`, in the order of round, quantity and subject.
  Outcome<ExportPage> export_page(std::int64_t first, std::int64_t last, ExportPlace after, int limit);

  // One small step of thinning as docs/record.md states it, some milliseconds of work; false: nothing was left to do.
  Outcome<bool> thin(SystemTime now);
  Outcome<RecordSize> size();
  // A copy while all goes on, see copying.hpp.
  Copying& copying() { return copying_; }

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

  // ---- nights and who is told of them, record_outbox.cpp ----
  // The round that was accepted last.
  Outcome<std::optional<std::int64_t>> accepted_round();
  struct WholeRound {
    std::int64_t id = 0;
    std::string kind;
    SystemTime started{};
  };
  // Complete rounds of the whole site with a larger number, oldest first; the newest `most` of them.
  Outcome<std::vector<WholeRound>> whole_rounds_after(std::int64_t id, int most);
  Outcome<std::optional<WholeRound>> whole_round(std::int64_t id);  // complete and of the whole site
  // Small state by name; null when there is none.
  Outcome<nlohmann::json> kept(const std::string& name);
  struct OutboxMessage {
    std::string way, key;
    nlohmann::json message;
  };
  // All of it or nothing. A message whose key its way has already is dropped: nobody is told twice.
  Outcome<void> keep(const std::vector<std::pair<std::string, nlohmann::json>>& state, const std::vector<OutboxMessage>& messages);
  struct OutboxEntry {
    std::int64_t id = 0;
    std::string key;
    nlohmann::json message;
    SystemTime made{}, next_try{};
    int tries = 0;
  };
  // The oldest one that waits.
  Outcome<std::optional<OutboxEntry>> next_waiting(const std::string& way);
  Outcome<void> mark_outbox(std::int64_t id, const std::string& state, int tries, SystemTime next_try, const std::string& fault);
  // {waiting, told, given_up, last_told, last_fault, next_try}
  Outcome<nlohmann::json> outbox_state(const std::string& way);

 private:
  explicit Record(const std::string& file) : writer_(file), copying_(file) {}
  Outcome<void> hold(const std::string& path);
  Outcome<void> migrate();
  Outcome<void> break_off_running();
  Connection& reader() { return reader_ ? *reader_ : writer_; }
  Outcome<std::optional<RoundHead>> head_of_round(std::int64_t id);
  Outcome<std::string> text_of_parts(const RoundHead& head);

  Connection writer_;
  std::unique_ptr<Connection> reader_;  // none in memory: there the one connection does both
  int held_ = -1;  // the file whose lock says that this record is ours
  Copying copying_;
  std::vector<std::int64_t> broken_off_at_open_;
};

nlohmann::json summary_of(const RoundHead& head);  // as in docs/api.md

}  // namespace tallywire::record
