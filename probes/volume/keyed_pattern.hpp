// Blocks of 4 KiB that each say which they are, under a key: what a card gives back tells whether it is the block that was asked
// for, another one of the same run, or nothing of ours. The number stands in the first 16 octets (AES-256, one block of the cipher); the rest
// is AES-256 in counter mode from the number. Pure but for the key's making; one object a thread.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <optional>

namespace tallywire::volume {

using PatternKey = std::array<std::uint8_t, 32>;

// From the system's random numbers; none when they cannot be had.
std::optional<PatternKey> make_pattern_key();

enum class BlockFound {
  right,
  other,      // a whole block of this run with another number: addresses wrap
  zeros,
  ones,       // all octets 0xff, as erased flash reads
  damaged,    // the right number, and octets that differ
  foreign,    // nothing of this run
};

const char* name_of(BlockFound found);

struct BlockLook {
  BlockFound found = BlockFound::right;
  std::uint64_t number = 0;  // of `other`
};

class KeyedPattern {
 public:
  static constexpr std::size_t block_bytes = 4096;

  explicit KeyedPattern(const PatternKey& key);
  ~KeyedPattern();
  KeyedPattern(const KeyedPattern&) = delete;
  KeyedPattern& operator=(const KeyedPattern&) = delete;

  void fill(std::uint64_t number, std::uint8_t* block);
  BlockLook look(std::uint64_t number, const std::uint8_t* block);

 private:
  struct Ciphers;
  std::optional<std::uint64_t> number_of(const std::uint8_t* block);

  std::unique_ptr<Ciphers> ciphers_;
  std::array<std::uint8_t, block_bytes> expected_;
};

}  // namespace tallywire::volume
