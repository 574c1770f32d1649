// Where a true-capacity run keeps its files, its key and how far it is: one directory on the volume. It outlives the process, so that the
// same command goes on; it goes with the run's end, when it is abandoned, or at the start of any measurement there when nothing went on
// in it for `kept_for`. Locked while a run is under way.
#pragma once

#include "probes/fault.hpp"
#include "probes/volume/capacity_state.hpp"
#include "probes/volume/own_files.hpp"

#include <chrono>
#include <memory>
#include <string>

namespace tallywire::volume {

class CapacityFolder {
 public:
  static constexpr const char* name = ".tallywire-capacity";
  static constexpr std::chrono::hours kept_for{7 * 24};

  // Opens the one of an earlier run, or makes one. Fails when another process holds it.
  static Outcome<std::unique_ptr<CapacityFolder>> open(const std::string& directory);
  // Removes the one of an earlier run; false when there is none. Waits two minutes at most.
  static Outcome<bool> abandon(const std::string& directory);
  static void remove_if_old(const std::string& directory, std::chrono::system_clock::time_point now);
  static bool stands_in(const std::string& directory);

  const PatternKey& key() const { return key_; }
  // Where the run stands: at its begin, or where an earlier stretch left it.
  const CapacityState& state_of_run() const { return state_of_run_; }
  // 0 or an errno.
  int save(CapacityState& state);
  // -1 with errno set when it cannot be. With direct I/O where the file system takes it.
  Descriptor open_file(unsigned number, bool writes);
  bool direct() const { return direct_; }
  // False when something stays.
  bool remove();

 private:
  CapacityFolder(std::string path, Descriptor own) : path_(std::move(path)), own_(std::move(own)) {}
  static Outcome<bool> remove_now(const std::string& directory);
  Outcome<void> begin();
  Outcome<void> go_on();

  std::string path_;
  Descriptor own_, state_;
  PatternKey key_{};
  CapacityState state_of_run_;
  bool direct_ = true;
};

}  // namespace tallywire::volume
