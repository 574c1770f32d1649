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
  if (!in.ok()) return std::nullopt;
  return out;
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
