// What every fuzzer shares. A fuzzer is one LLVMFuzzerTestOneInput in one file, which asserts properties of a parser by
// require(). libFuzzer drives it under sanitizers (./tests/run --fuzz); replay.cpp drives it over the seeds in the
// normal tests. Single-threaded; nothing is kept from one input to the next.
#pragma once

#include "probes/wire/octets.hpp"

#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <string>
#include <string_view>

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size);

namespace tallywire::fuzz {

// A broken property ends the program, which is what libFuzzer and ctest take for a finding.
inline void require(bool holds, const char* property) {
  if (holds) return;
  std::fprintf(stderr, "broken property: %s\n", property);
  std::abort();
}

inline std::string_view text_of(wire::Octets octets) {
  return {reinterpret_cast<const char*>(octets.data()), octets.size()};
}

inline bool has_line_break(std::string_view text) { return text.find_first_of("\r\n") != std::string_view::npos; }

// Cuts choices off the front of an input; when it is used up, every choice is 0.
class Cutter {
 public:
  Cutter(const std::uint8_t* data, std::size_t size) : left_(data, size) {}
  std::uint8_t octet() { return static_cast<std::uint8_t>(number(1)); }
  std::uint64_t number(std::size_t octets) {
    std::uint64_t value = 0;
    for (const auto octet : take(octets)) value = value << 8 | octet;
    return value;
  }
  wire::Octets take(std::size_t most) {
    const auto out = left_.first(std::min(most, left_.size()));
    left_ = left_.subspan(out.size());
    return out;
  }
  wire::Octets rest() { return take(left_.size()); }
  bool empty() const { return left_.empty(); }

 private:
  wire::Octets left_;
};

}  // namespace tallywire::fuzz
