#include "probes/wire/bits.hpp"

namespace tallywire::wire {

std::vector<std::uint8_t> unescape_nal(Octets nal) {
  std::vector<std::uint8_t> out;
  out.reserve(nal.size());
  int zeros = 0;
  for (const auto octet : nal) {
    if (zeros >= 2 && octet == 3) {
      zeros = 0;
      continue;
    }
    zeros = octet == 0 ? zeros + 1 : 0;
    out.push_back(octet);
  }
  return out;
}

std::uint32_t BitReader::bits(unsigned count) {
  if (!ok_ || at_ + count > octets_.size() * 8) {
    ok_ = false;
    return 0;
  }
  std::uint32_t value = 0;
  for (unsigned i = 0; i < count; ++i, ++at_)
    value = value << 1 | ((octets_[at_ / 8] >> (7 - at_ % 8)) & 1u);
  return value;
}

void BitReader::skip(std::size_t count) {
  if (!ok_ || count > octets_.size() * 8 - at_) {
    ok_ = false;
    return;
  }
  at_ += count;
}

std::uint32_t BitReader::ue() {
  unsigned zeros = 0;
  while (ok_ && !flag()) {
    if (++zeros > 31) ok_ = false;
  }
  if (!ok_) return 0;
  return (1u << zeros) - 1 + bits(zeros);
}

std::int32_t BitReader::se() {
  const std::uint32_t code = ue();
  const auto half = static_cast<std::int32_t>(code / 2 + code % 2);
  return code % 2 ? half : -half;
}

}  // namespace tallywire::wire
