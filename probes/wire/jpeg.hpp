// Motion JPEG over RTP (RFC 2435): the main header and the quantiser tables of App. A.
#pragma once

#include "probes/wire/octets.hpp"

#include <array>
#include <cstdint>
#include <optional>

namespace tallywire::wire {

struct JpegHeader {
  std::uint32_t fragment_offset = 0;
  std::uint8_t type = 0;
  std::uint8_t q = 0;
  int width = 0;   // 0: larger than the 2040 pixels that the field can say
  int height = 0;
};

// §3.1. None when it is cut short.
std::optional<JpegHeader> decode_jpeg_header(Octets payload);

struct QuantiserTables {
  std::array<std::uint8_t, 64> luma;    // natural (row) order, as the RFC prints them
  std::array<std::uint8_t, 64> chroma;
};

// App. A for Q of 1 to 99; values out of that are held to it.
QuantiserTables quantiser_tables(int q);
// App. A: the scale in per cent for a Q of 1 to 99.
int quantiser_scale(int q);

}  // namespace tallywire::wire
