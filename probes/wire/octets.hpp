// Big-endian octets, read with every length checked.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

namespace tallywire::wire {

using Octets = std::span<const std::uint8_t>;

// Reads from the front of a span. A read past the end gives 0 and leaves ok() false for good, so that a
// decoder checks once at the end of a field group instead of before each field.
class OctetReader {
 public:
  explicit OctetReader(Octets octets) : octets_(octets) {}
  std::uint8_t u8() { return static_cast<std::uint8_t>(number(1)); }
  std::uint16_t u16() { return static_cast<std::uint16_t>(number(2)); }
  std::uint32_t u24() { return static_cast<std::uint32_t>(number(3)); }
  std::uint32_t u32() { return static_cast<std::uint32_t>(number(4)); }
  std::uint64_t u64() { return number(8); }
  Octets take(std::size_t count) {
    if (count > left()) {
      ok_ = false;
      return {};
    }
    const auto out = octets_.subspan(at_, count);
    at_ += count;
    return out;
  }
  void skip(std::size_t count) { take(count); }
  std::size_t left() const { return ok_ ? octets_.size() - at_ : 0; }
  std::size_t at() const { return at_; }
  bool ok() const { return ok_; }

 private:
  std::uint64_t number(std::size_t count) {
    std::uint64_t value = 0;
    for (const auto octet : take(count)) value = value << 8 | octet;
    return value;
  }
  Octets octets_;
  std::size_t at_ = 0;
  bool ok_ = true;
};

inline void put_u16(std::vector<std::uint8_t>& out, std::uint16_t value) {
  out.push_back(static_cast<std::uint8_t>(value >> 8));
  out.push_back(static_cast<std::uint8_t>(value));
}

inline void put_u32(std::vector<std::uint8_t>& out, std::uint32_t value) {
  put_u16(out, static_cast<std::uint16_t>(value >> 16));
  put_u16(out, static_cast<std::uint16_t>(value));
}

}  // namespace tallywire::wire
