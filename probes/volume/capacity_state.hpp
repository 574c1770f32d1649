// How far a true-capacity run has come, as it is kept beside its files so that the same command goes on after a stop, a power cut or a
// kill. Two places of 4 KiB are written in turn: one of them is always whole. Encoding and decoding are pure.
#pragma once

#include "probes/volume/keyed_pattern.hpp"

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <string>

namespace tallywire::volume {

struct FirstBad {
  std::uint64_t block = 0;
  std::string what;                          // in words
  std::optional<std::uint64_t> found_block;  // which block stands there
};

struct CapacityState {
  std::uint64_t sequence = 0;
  bool filled = false;                 // the filling is done, the checking goes on
  std::uint64_t filled_blocks = 0;     // on the device
  std::uint64_t checked_blocks = 0;
  std::uint64_t other_blocks = 0, lost_blocks = 0, damaged_blocks = 0, unreadable_blocks = 0;
  std::optional<FirstBad> first_bad;
  std::uint64_t wrap_bytes = 0;        // greatest common divisor of the distances between a block and what stands in its place; 0: none known
  std::optional<std::uint64_t> lowest_lost_bytes;  // device address
  double fill_s = 0, check_s = 0;      // in all runs

  std::uint64_t bad_blocks() const { return other_blocks + lost_blocks + damaged_blocks + unreadable_blocks; }
};

using StatePlace = std::array<std::uint8_t, 4096>;

// Sealed with the run's key (HMAC-SHA-256): a card that lies may give back anything.
StatePlace encode_state(const CapacityState& state, const PatternKey& key);
// None when the seal does not fit.
std::optional<CapacityState> decode_state(std::span<const std::uint8_t> place, const PatternKey& key);

}  // namespace tallywire::volume
