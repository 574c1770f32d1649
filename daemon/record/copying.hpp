// A consistent copy of a record while it is written: SQLite's online backup of one snapshot, in steps, on a thread of its own.
// Nobody waits for it; the write-ahead log only grows by what is written meanwhile.
//
// The copy is made beside its name with ".part" and gets the name when it is whole and on the disk. It never takes the
// name of a file that is there. A ".part" that a killed copy left is written over by the next copy of that name.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"

#include <atomic>
#include <cstdint>
#include <functional>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

namespace tallywire::record {

struct CopyState {
  std::string file;
  std::string state;  // "running", "complete", "failed"
  SystemTime started{};
  std::optional<SystemTime> ended;
  std::int64_t done_bytes = 0, all_bytes = 0;
  std::optional<Fault> fault;
};

// To its end on this thread. `goes_on` is asked after each step with the octets done and in all; false ends it: a Fault of kind
// cancelled, and nothing is left behind.
Outcome<void> copy_record(const std::string& record, const std::string& file, const std::function<bool(std::int64_t, std::int64_t)>& goes_on);

// One copy at a time. Any thread.
class Copying {
 public:
  explicit Copying(std::string record) : record_(std::move(record)) {}
  ~Copying() { stop(); }
  Copying(const Copying&) = delete;
  Copying& operator=(const Copying&) = delete;

  // `file` is absolute and ends in ".sqlite". A Fault of kind bad_request for a wrong name, one that is taken, or while one runs.
  Outcome<void> start(const std::string& file);
  std::optional<CopyState> state();  // of the newest; none before the first
  void stop();                       // ends the one that runs, and waits for that

 private:
  std::string record_;
  std::mutex lock_;
  std::optional<CopyState> state_;
  std::atomic<bool> stopped_{false};
  std::thread thread_;
};

}  // namespace tallywire::record
