// Motion JPEG over RTP (RFC 2435): the main header and the quantiser tables of App. A.
#pragma once

#include "probes/wire/octets.hpp"

#include <array>
#include <cstdint>
#include <optional>

namespace tallywire::wire {

struct JpegHeader {
  std::uint32_t fragment_offset = 0;
  std::uint8_t type = 0;               // 0: 4:2:2, 1: 4:2:0; 64 and 65: the same with restart markers (§3.1.3)
  std::uint8_t q = 0;
  int width = 0;                       // 0: larger than the 2040 pixels that the field can say
  int height = 0;
  std::optional<int> restart_interval; // types 64 to 127 (§3.1.7)
  std::size_t table_octets = 0;        // quantiser tables of Q 128 to 255 in the packet of offset 0 (§3.1.8)
};

// §3.1. None when it is cut short.
std::optional<JpegHeader> decode_jpeg_header(Octets payload);

// ONVIF Streaming Specification, "JPEG over RTP": header extensions carry JPEG marker segments, those of the first
// packet of a frame under the first number, those of the others under the second.
inline constexpr std::uint16_t onvif_jpeg_first = 0xffd8;
inline constexpr std::uint16_t onvif_jpeg_other = 0xffff;

struct JpegSize {
  int width = 0;
  int height = 0;
};

// Size in the start-of-frame segment (ITU-T T.81 §B.2.2) among the marker segments of such an extension. None when
// there is none or the segments are malformed.
std::optional<JpegSize> find_jpeg_size(Octets segments);

struct QuantiserTables {
  std::array<std::uint8_t, 64> luma;    // natural (row) order, as the RFC prints them
  std::array<std::uint8_t, 64> chroma;
};

// App. A for Q of 1 to 99; values out of that are held to it.
QuantiserTables quantiser_tables(int q);
// App. A: the scale in per cent for a Q of 1 to 99.
int quantiser_scale(int q);

}  // namespace tallywire::wire
