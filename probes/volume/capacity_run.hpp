// One stretch of a true-capacity run: fills on from where the run stands, or checks on. Blocking; on one thread.
#pragma once

#include "probes/volume/capacity_folder.hpp"
#include "probes/volume/file_map.hpp"
#include "probes/volume/true_capacity.hpp"

#include <atomic>
#include <chrono>
#include <cstdint>
#include <cstdlib>
#include <map>
#include <memory>
#include <optional>
#include <utility>

namespace tallywire::volume {

class CapacityRun {
 public:
  // `addresses_hold`: what the file system tells of places are addresses on its device.
  CapacityRun(const CapacityRequest& request, CapacityFolder& folder, bool addresses_hold);

  // True when all the room is used.
  bool fill(const std::atomic<bool>& stop, const CapacityProgress& progress);
  void begin_check();
  void check(const std::atomic<bool>& stop, const CapacityProgress& progress);

  const CapacityState& state() const { return state_; }
  int error() const { return error_; }                          // errno that ended it; 0
  std::uint64_t error_block() const { return error_block_; }    // where
  BadPlace place_of(const FirstBad& bad);

 private:
  // Adds to what earlier stretches took, when told to and at its end.
  struct Timer {
    explicit Timer(double& total) : total_s(total), before_s(total) {}
    ~Timer() { count(); }
    void count() const { total_s = seconds(); }
    double seconds() const { return before_s + std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count(); }
    double& total_s;
    double before_s;
    std::chrono::steady_clock::time_point begin = std::chrono::steady_clock::now();
  };
  struct Freed {
    void operator()(std::uint8_t* memory) const { std::free(memory); }
  };

  std::uint64_t room_blocks() const;
  bool open(std::uint64_t number, bool writes);
  std::uint64_t write(std::uint64_t from, std::uint64_t count, const std::atomic<bool>& stop);
  void commit(std::uint64_t written);
  void save();
  void look(std::uint64_t from, std::uint64_t count);
  void look_block_by_block(std::uint64_t from, std::uint64_t count);
  void judge(std::uint64_t number, const BlockLook& seen);
  void note_first(std::uint64_t number, const std::string& what, std::optional<std::uint64_t> found);
  std::optional<std::uint64_t> address(std::uint64_t number);
  void fail(int error, std::uint64_t at);

  const CapacityRequest& request_;
  CapacityFolder& folder_;
  KeyedPattern pattern_;
  bool addresses_hold_;
  std::uint64_t file_blocks_;
  std::unique_ptr<std::uint8_t, Freed> chunk_;
  CapacityState state_;
  Descriptor file_;
  unsigned file_number_ = 0;
  std::map<unsigned, std::pair<Descriptor, FileMap>> maps_;
  std::uint64_t silent_chunks_ = 0, error_block_ = 0;
  int error_ = 0;
};

}  // namespace tallywire::volume
