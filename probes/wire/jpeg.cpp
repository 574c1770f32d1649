#include "probes/wire/jpeg.hpp"

#include <algorithm>

namespace tallywire::wire {
namespace {

// RFC 2435 App. A, natural order.
constexpr std::array<std::uint8_t, 64> luma_base = {
    16, 11, 10, 16, 24,  40,  51,  61,  12, 12, 14, 19, 26,  58,  60,  55,
    14, 13, 16, 24, 40,  57,  69,  56,  14, 17, 22, 29, 51,  87,  80,  62,
    18, 22, 37, 56, 68,  109, 103, 77,  24, 35, 55, 64, 81,  104, 113, 92,
    49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99};
constexpr std::array<std::uint8_t, 64> chroma_base = {
    17, 18, 24, 47, 99, 99, 99, 99, 18, 21, 26, 66, 99, 99, 99, 99,
    24, 26, 56, 99, 99, 99, 99, 99, 47, 66, 99, 99, 99, 99, 99, 99,
    99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99,
    99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99, 99};

std::array<std::uint8_t, 64> scaled(const std::array<std::uint8_t, 64>& base, int scale) {
  std::array<std::uint8_t, 64> out{};
  for (std::size_t i = 0; i < base.size(); ++i)
    out[i] = static_cast<std::uint8_t>(std::clamp((base[i] * scale + 50) / 100, 1, 255));
  return out;
}

}  // namespace

std::optional<JpegHeader> decode_jpeg_header(Octets payload) {
  OctetReader in(payload);
  JpegHeader out;
  in.u8();
  out.fragment_offset = in.u24();
  out.type = in.u8();
  out.q = in.u8();
  out.width = in.u8() * 8;
  out.height = in.u8() * 8;
  if (out.type >= 64 && out.type <= 127) {
    out.restart_interval = in.u16();
    in.u16();
  }
  if (out.q >= 128 && out.fragment_offset == 0) {
    in.u16();
    out.table_octets = in.u16();
    in.skip(out.table_octets);
  }
  if (!in.ok()) return std::nullopt;
  return out;
}

std::optional<JpegSize> find_jpeg_size(Octets segments) {
  OctetReader in(segments);
  while (in.left() > 0) {
    if (in.u8() != 0xff) return std::nullopt;
    std::uint8_t marker = 0xff;
    while (marker == 0xff && in.left() > 0) marker = in.u8();  // fill octets (T.81 §B.1.1.2)
    if (marker == 0xd8) continue;                              // SOI has no length
    if (marker == 0xff || marker == 0xda) return std::nullopt; // padding to the end, or the scan: none came
    const std::size_t length = in.u16();
    if (length < 2) return std::nullopt;
    OctetReader body(in.take(length - 2));
    if (!in.ok()) return std::nullopt;
    // SOF0 to SOF15 but DHT, JPG and DAC (T.81 Table B.1).
    if (marker < 0xc0 || marker > 0xcf || marker == 0xc4 || marker == 0xc8 || marker == 0xcc) continue;
    body.u8();
    JpegSize out;
    out.height = body.u16();
    out.width = body.u16();
    return body.ok() && out.width > 0 && out.height > 0 ? std::optional(out) : std::nullopt;
  }
  return std::nullopt;
}

int quantiser_scale(int q) {
  const int held = std::clamp(q, 1, 99);
  return held < 50 ? 5000 / held : 200 - held * 2;
}

QuantiserTables quantiser_tables(int q) {
  const int scale = quantiser_scale(q);
  return {scaled(luma_base, scale), scaled(chroma_base, scale)};
}

}  // namespace tallywire::wire
