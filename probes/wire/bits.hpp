// Bits of a NAL unit: emulation prevention taken out, fixed-length and Exp-Golomb codes read (ITU-T H.264
// §7.2, §9.1; H.265 §7.2, §9.2).
#pragma once

#include "probes/wire/octets.hpp"

#include <cstdint>
#include <vector>

namespace tallywire::wire {

// The raw byte sequence payload: each 00 00 03 becomes 00 00.
std::vector<std::uint8_t> unescape_nal(Octets nal);

// A read past the end gives 0 and leaves ok() false for good.
class BitReader {
 public:
  explicit BitReader(Octets octets) : octets_(octets) {}
  std::uint32_t bits(unsigned count);  // 0 to 32
  bool flag() { return bits(1) != 0; }
  std::uint32_t ue();                  // unsigned Exp-Golomb
  std::int32_t se();                   // signed Exp-Golomb
  void skip(std::size_t count);
  bool ok() const { return ok_; }
  std::size_t at() const { return at_; }  // bits read so far
  void fail() { ok_ = false; }         // a value that the standard rules out: what follows cannot be trusted

 private:
  Octets octets_;
  std::size_t at_ = 0;  // in bits
  bool ok_ = true;
};

}  // namespace tallywire::wire
